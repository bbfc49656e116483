"""How long a sheet keeps a person's hands busy, and how long it only has to stand.

A person goes on to another batch while one cools, so a day is planned with two figures where the plan of the
calculation has one. ``plan["minutes"]`` ranks routes: it counts only what differs between them. Here every
step has its time:

* weighing, measuring and making up take what the planner takes for them, from the same table;
* fetching each bottle, storing and labelling are added: they are the same for every route, so the planner
  leaves them out;
* the water bath, which the planner counts as work, is waiting here, and so are cooling, stirring and rolling,
  which it leaves out or takes for nothing.

So the hands-on time is about the planner's minutes less the water bath; the waiting comes on top. All figures
are rules of thumb for one person who knows the work, and stand in one table below.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from prepdesk.calc.planner import cost

Plan = Mapping[str, Any]
Step = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Rule:
    """A figure and where it comes from.

    Attributes:
        minutes: for one time.
        source: a publication, the planner's table, or "common practice".
    """

    minutes: float
    source: str


_PLANNER: Final = "the planner's table (common practice)"
_PRACTICE: Final = "common practice"

# With hands. Weighing, measuring and making up are looked up in the planner's table.
HANDS: Final[Mapping[str, Rule]] = {
    # Fetch a bottle, compare its label with the sheet, open and close it.
    "fetch": Rule(cost.SECOND_BOTTLE, _PLANNER),
    # Add it, watch the first of it go, rinse what held it: half of "dissolving and carrying over".
    "dissolve": Rule(cost.DISSOLVING / 2, _PLANNER),
    "carry over": Rule(cost.DISSOLVING / 2, _PLANNER),
    # In the flask itself there is no stirrer: it is swirled by hand until all has dissolved.
    "swirl": Rule(cost.DISSOLVING, _PLANNER),
    # A little at a time, stirring all the while.
    "add slowly": Rule(4.0, _PRACTICE),
    # Turn a flask over ten times; pour into a beaker and stir; set a carboy rolling.
    "mix": Rule(1.0, _PRACTICE),
    # An intermediate solution is labelled, and its flask washed up for the next.
    "intermediate": Rule(cost.EXTRA_STAGE, _PLANNER),
    "pool": Rule(cost.POOL, _PLANNER),
    "mark a carboy": Rule(cost.MARK_CARBOY, _PLANNER),
    # Into the bottle and to its place.
    "store": Rule(2.0, _PRACTICE),
    "label": Rule(1.0, _PRACTICE),
    # Any step that is not named here.
    "other": Rule(1.0, _PRACTICE),
}
# Without hands. Where it depends on the volume: up to a litre, up to five, more than that.
WAITING: Final[Mapping[str, tuple[Rule, Rule, Rule]]] = {
    # On a magnetic stirrer until all has dissolved.
    "stir": (Rule(5.0, _PRACTICE), Rule(10.0, _PRACTICE), Rule(15.0, _PRACTICE)),
    # What dissolves in the solution of another component "takes its time" (iodine in iodide).
    "stir long": (Rule(20.0, _PRACTICE), Rule(30.0, _PRACTICE), Rule(40.0, _PRACTICE)),
    # To the temperature of the mark after it got warm, in a bath of cold water.
    "cool": (Rule(20.0, _PRACTICE), Rule(40.0, _PRACTICE), Rule(60.0, _PRACTICE)),
    # To the temperature of the mark where the room will not do.
    "water bath": (Rule(cost.TEMPERING, _PLANNER),) * 3,
    # "Several minutes" on a roller or a stirrer.
    "roll": (Rule(5.0, _PRACTICE), Rule(5.0, _PRACTICE), Rule(10.0, _PRACTICE)),
}
_SMALL_ML: Final = 1000.0
_MIDDLE_ML: Final = 5000.0
_COOL: Final = "cool_before_mark"
_IN_ML: Final = {"mL": 1.0, "L": 1000.0, "µL": 0.001}


@dataclass(frozen=True, slots=True)
class StepTime:
    """What one step takes [min].

    Attributes:
        hands_on: somebody is at it.
        waiting: it stands by itself, before or during the step.
    """

    hands_on: float
    waiting: float = 0.0


@dataclass(frozen=True, slots=True)
class WorkTime:
    """What a plan takes [min].

    Attributes:
        steps: each in order.
    """

    steps: tuple[StepTime, ...]

    @property
    def hands_on(self) -> float:
        """All of it that needs a person."""
        return sum(step.hands_on for step in self.steps)

    @property
    def waiting(self) -> float:
        """All of it that needs nobody."""
        return sum(step.waiting for step in self.steps)


def work_time(plan: Plan) -> WorkTime:
    """The time of each step of a frozen plan."""
    times = []
    fetched: set[str] = set()
    cooled = False
    last_stage = max((step.get("stage") or 0 for step in plan["steps"]), default=0)
    for step in plan["steps"]:
        hands, waiting = _hands(step, plan), _waiting(step, cooled=cooled)
        lot = (step.get("lot") or {}).get("id", "")
        if lot and lot not in fetched:
            fetched.add(lot)
            hands += HANDS["fetch"].minutes
        if step["action"] == "mix" and not step.get("substance") and (step.get("stage") or 0) < last_stage:
            hands += HANDS["intermediate"].minutes
        # Said at carrying over and again at the mark: it is waited for once in each filling.
        cooled = (cooled or _says(step, _COOL)) and step["action"] != "make_up"
        times.append(StepTime(round(hands, 2), waiting))
    return WorkTime(tuple(times))


# --- with hands -----------------------------------------------------------------------------------
def _hands(step: Step, plan: Plan) -> float:
    equipment = step.get("equipment") or {}
    action = step["action"]
    if action == "weigh":
        return cost.weighing_minutes(float((equipment.get("readability") or {"value": 1})["value"]))
    if action == "measure":
        return _measuring(step, equipment, plan)
    if action == "make_up":
        return _making_up(equipment)
    if action == "dissolve":
        action = "swirl" if equipment.get("type") == "one-mark flask" else "dissolve"
    elif action == "mix":
        action = _mixing(step)
    elif action == "transfer":
        action = "carry over"
    return HANDS.get(action, HANDS["other"]).minutes


def _measuring(step: Step, equipment: Mapping[str, Any], plan: Plan) -> float:
    once = cost.MEASURING.get(equipment.get("type", ""), cost.LEAST_MEASURING)
    if equipment.get("class") in ("A", "AS"):
        once += cost.CLASS_A
    volume = _ml(step.get("quantity"))
    if step.get("component") is None and step.get("window") is None:
        # The level of a carboy is found with as many portions as its whole volume takes.
        marked = next((one for one in plan["steps"] if _is_carboy_mark(one)), None)
        if marked is not None:
            return HANDS["mark a carboy"].minutes + once * _portions(_ml(marked["quantity"]), equipment)
    return once * _portions(volume, equipment)


def _making_up(equipment: Mapping[str, Any]) -> float:
    better = cost.CLASS_A if equipment.get("class") in ("A", "AS") else 0.0
    if equipment.get("type") == "graduated cylinder":
        return cost.MAKE_UP_CYLINDER + better
    large = _nominal_ml(equipment) > cost.LARGE_FLASK_ML
    return (cost.MAKE_UP_LARGE_FLASK if large else cost.MAKE_UP_FLASK) + better


def _mixing(step: Step) -> str:
    if step.get("substance"):
        return "add slowly" if _says(step, "heat_of_solution") else "mix"
    return "pool" if " fillings " in step["text"] else "mix"


def _is_carboy_mark(step: Step) -> bool:
    """Whether a step makes up to a level that no cylinder holds, so that it was marked before."""
    volume, nominal = _ml(step.get("quantity")), _nominal_ml(step.get("equipment") or {})
    return step["action"] == "make_up" and 0.0 < nominal < volume


# --- without hands --------------------------------------------------------------------------------
def _waiting(step: Step, *, cooled: bool) -> float:
    equipment = step.get("equipment") or {}
    volume = _nominal_ml(equipment)
    waiting = 0.0
    if _says(step, _COOL) and not cooled:
        waiting += _by_volume("cool", volume)
    if step["action"] == "dissolve" and equipment.get("type") != "one-mark flask":
        waiting += _by_volume("stir long" if "takes its time" in step["text"] else "stir", volume)
    if step["action"] == "make_up" and "water bath" in step["text"]:
        waiting += _by_volume("water bath", volume)
    if step["action"] == "mix" and equipment.get("type") == "carboy" and not step.get("substance"):
        waiting += _by_volume("roll", volume)
    return waiting


def _by_volume(name: str, volume_ml: float) -> float:
    rules = WAITING[name]
    return rules[0 if volume_ml <= _SMALL_ML else 1 if volume_ml <= _MIDDLE_ML else 2].minutes


# --- reading a step -------------------------------------------------------------------------------
def _says(step: Step, code: str) -> bool:
    return any(caution["code"] == code for caution in step["cautions"])


def _ml(quantity: Mapping[str, Any] | None) -> float:
    """A volume [mL]; 0 for a mass or for none."""
    return float(quantity["value"]) * _IN_ML.get(quantity["unit"], 0.0) if quantity else 0.0


def _nominal_ml(equipment: Mapping[str, Any]) -> float:
    return _ml(equipment.get("nominal"))


def _portions(volume_ml: float, equipment: Mapping[str, Any]) -> int:
    nominal = _nominal_ml(equipment)
    return max(1, math.ceil(volume_ml / nominal - 1e-9)) if nominal else 1
