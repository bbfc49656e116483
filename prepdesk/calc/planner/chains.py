"""From a bottle into the final vessel: directly, or through one or two intermediate solutions."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from prepdesk.calc.planner.bench import Bench, Tool
from prepdesk.calc.planner.bottles import joint_ways
from prepdesk.calc.planner.cost import EXTRA_STAGE, FUMING_ON_BALANCE, LEAST_MEASURING, LIQUID_ON_BALANCE
from prepdesk.calc.planner.measures import SMALLEST_LIQUID_G, Measure, volumes, weighings
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.uncertainty import COVERAGE

# Intermediates are made in flasks of these sizes, small enough to handle and large enough to draw from [mL].
INTERMEDIATE_ML: Final = (50.0, 1000.0)
SECOND_FLASKS_ML: Final = (100.0, 1000.0)
SECOND_PIPETTES_ML: Final = (5.0, 25.0)
# What stays in the flask so that the last aliquot can be drawn without air.
DRAWABLE_PART: Final = 0.95
# A route this much further from the tolerance than the closest one counts as equally near [1].
NEARLY: Final = 1.02
# A tolerance that is met exactly counts as met; floats need a little room for that.
ROUNDING_ROOM: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Stage:
    """An intermediate solution: ``measure`` of what goes in, ``flask`` it is made up in, how strong it is."""

    measure: Measure
    flask: Tool
    mol_per_l: float


@dataclass(frozen=True, slots=True)
class Chain:
    """The whole way of one component, for one batch.

    Attributes:
        supply: the bottle.
        stages: intermediates, first one first; empty for the direct way.
        last: what is measured into the final vessel, per filling.
        fillings: how often ``last`` is measured.
        offset: relative deviation by rounding to what the tools can show [1].
        room: what rounding, and readings one step beside the planned ones, may change [1].
        variance: relative variance of all but the final vessel [1].
        minutes: at the bench, the final vessel left out.
        draw: taken from the bottle in all [g for solids, mL for liquids].
        waste_ml: intermediate solution left over [mL].
    """

    supply: Supply
    stages: tuple[Stage, ...]
    last: Measure
    fillings: int
    offset: float
    room: float
    variance: float
    minutes: float
    draw: float
    waste_ml: float

    @property
    def first(self) -> Measure:
        """The measuring that takes from the bottle."""
        return self.stages[0].measure if self.stages else self.last

    def spends(self, vessel_variance: float) -> float:
        """Rounding, readings a step beside it and expanded uncertainty, relative to the target [1]."""
        return self.room + COVERAGE * math.sqrt(self.variance + vessel_variance)

    def fits(self, vessel_variance: float, tolerance: float) -> bool:
        """Whether rounding, readings and expanded uncertainty stay inside a tolerance [1]."""
        return self.spends(vessel_variance) <= tolerance * (1.0 + ROUNDING_ROOM)


@dataclass(slots=True)
class Need:
    """What one component must have in each filling of the final vessel.

    Attributes:
        moles: solute per filling [mol].
        volume_ml: of one filling [mL].
        fillings: how many.
        tolerance: relative, k = 2 [1].
        limit_mol_per_l: how much of it dissolves [mol/L]; infinite where nobody knows.
        room_variance: relative variance of a volume by the room's temperature [1].
        spare: relative variance that tools before the final vessel may add; ways beyond it are not
            offered [1].
        held: flasks that hold something else when the last intermediate is made: it needs one more.
        ceiling: minutes that intermediates must stay below; the search lowers it as it finds cheaper ways.
    """

    moles: float
    volume_ml: float
    fillings: int
    tolerance: float
    limit_mol_per_l: float
    room_variance: float
    spare: float
    ceiling: float = math.inf
    held: tuple[Tool, ...] = ()


def direct(need: Need, supply: Supply, bench: Bench) -> Iterator[Chain]:
    """Weigh or measure straight from the bottle into the final vessel."""
    for taken, measure in _from_bottle(
        need.moles, supply, bench, need, need.volume_ml, fillings=need.fillings
    ):
        yield _chain(need, taken, (), measure, 0.0)


def through_one(need: Need, supply: Supply, bench: Bench) -> Iterator[Chain]:
    """Make one intermediate solution and take an aliquot of it."""
    for taken, stage, aliquot in _stages(need, supply, bench):
        waste = stage.flask.size - need.fillings * aliquot.amount
        yield _chain(need, taken, (stage,), aliquot, waste)


def through_two(need: Need, supply: Supply, bench: Bench) -> Iterator[Chain]:
    """Make two intermediates, one from the other: for traces no single dilution reaches."""
    for aliquot in _aliquots(need, bench, SECOND_PIPETTES_ML):
        for flask in _flasks(need, bench, aliquot):
            if flask.size not in SECOND_FLASKS_ML:
                continue
            inner = Need(
                moles=need.moles * flask.size / aliquot.amount,
                volume_ml=flask.size,
                fillings=1,
                tolerance=need.tolerance,
                limit_mol_per_l=need.limit_mol_per_l,
                room_variance=need.room_variance,
                spare=need.spare - aliquot.variance - _flask_variance(flask, need),
                ceiling=need.ceiling - _stage_minutes(flask, aliquot, need) - LEAST_MEASURING,
                # The first intermediate stands beside the second, and is gone when the solution is made up.
                held=(*need.held[1:], flask),
            )
            if inner.spare <= 0.0 or inner.ceiling <= 0.0:
                continue
            for taken, stage, first_aliquot in _stages(inner, supply, bench):
                second = Stage(first_aliquot, flask, inner.moles / flask.size * 1000.0)
                waste = stage.flask.size - first_aliquot.amount + flask.size - need.fillings * aliquot.amount
                yield _chain(need, taken, (stage, second), aliquot, waste)


def _from_bottle(
    moles: float, supply: Supply, bench: Bench, need: Need, room_ml: float, *, fillings: int
) -> Iterator[tuple[Supply, Measure]]:
    """Every way to take so many moles; of several bottles with the mean of what they give."""
    if supply.bottles:
        for taken, joint in joint_ways(
            supply,
            moles,
            bench,
            fillings=fillings,
            room_variance=need.room_variance,
            tolerance=need.tolerance,
        ):
            if supply.kind == "solid" or moles <= room_ml * taken.mol_per_ml * (1.0 + ROUNDING_ROOM):
                yield taken, joint
        return
    if supply.kind == "solid":
        for way in weighings(moles / supply.mol_per_g, bench):
            yield supply, way
        return
    volume = moles / supply.mol_per_ml
    if volume > room_ml * (1.0 + ROUNDING_ROOM):
        return
    for way in volumes(volume, bench, need.room_variance, need.tolerance):
        yield supply, way
    if supply.mol_per_g and moles >= SMALLEST_LIQUID_G * supply.mol_per_g:
        fuming = "fume_hood" in supply.substance.hazards
        extra = FUMING_ON_BALANCE if fuming else LIQUID_ON_BALANCE
        for way in weighings(moles / supply.mol_per_g, bench, extra):
            yield supply, way


def _stages(need: Need, supply: Supply, bench: Bench) -> Iterator[tuple[Supply, Stage, Measure]]:
    """Every flask and pipette between the bottle and the vessel, with what must go into the flask."""
    for aliquot in _aliquots(need, bench):
        per_ml = need.moles / aliquot.amount
        if per_ml * 1000.0 > need.limit_mol_per_l or aliquot.variance >= need.spare:
            continue
        for flask in _flasks(need, bench, aliquot):
            spare = need.spare - aliquot.variance - _flask_variance(flask, need)
            if spare <= 0.0 or _stage_minutes(flask, aliquot, need) + LEAST_MEASURING >= need.ceiling:
                continue
            for taken, measure in _from_bottle(
                per_ml * flask.size, supply, bench, need, flask.size, fillings=1
            ):
                if abs(measure.offset) <= need.tolerance and measure.variance <= spare:
                    yield taken, Stage(measure, flask, per_ml * 1000.0), aliquot


def _stage_minutes(flask: Tool, aliquot: Measure, need: Need) -> float:
    """What an intermediate costs besides measuring what goes into it."""
    return flask.make_up_minutes + EXTRA_STAGE + need.fillings * aliquot.minutes


def _flask_variance(flask: Tool, need: Need) -> float:
    return flask.variance(1) / (flask.size * flask.size) + need.room_variance


def _aliquots(need: Need, bench: Bench, sizes: tuple[float, ...] = ()) -> Iterator[Measure]:
    """One aliquot by each single mark; the intermediate's strength is free, so none is ever odd."""
    for tool in bench.pipettes:
        if tool.size <= need.volume_ml and (not sizes or tool.size in sizes):
            yield Measure(
                tool=tool,
                times=1,
                exact=tool.size,
                amount=tool.size,
                offset=0.0,
                variance=tool.variance(1) / (tool.size * tool.size) + need.room_variance,
                minutes=tool.minutes,
            )


def _flasks(need: Need, bench: Bench, aliquot: Measure) -> Iterator[Tool]:
    for flask in bench.flasks:
        if not INTERMEDIATE_ML[0] <= flask.size <= INTERMEDIATE_ML[1]:
            continue
        if need.held and need.held.count(flask) >= flask.apparatus.count:
            continue
        if aliquot.amount * need.fillings <= flask.size * DRAWABLE_PART:
            yield flask


def _chain(need: Need, supply: Supply, stages: tuple[Stage, ...], last: Measure, waste: float) -> Chain:
    first = stages[0].measure if stages else last
    weighed = first.weighed
    variance = last.variance + (supply.variance_g if weighed else supply.variance_ml)
    kept = 1.0 + last.offset
    minutes = need.fillings * last.minutes
    for stage in stages:
        variance += stage.measure.variance + _flask_variance(stage.flask, need)
        kept *= 1.0 + stage.measure.offset
        minutes += stage.measure.minutes + stage.flask.make_up_minutes + EXTRA_STAGE
    measures = (*(stage.measure for stage in stages), last)
    times = 1 if stages else need.fillings
    draw = times * first.amount
    if weighed and supply.kind != "solid" and supply.density is not None:
        draw /= supply.density.g_per_ml
    return Chain(
        supply=supply,
        stages=stages,
        last=last,
        fillings=need.fillings,
        offset=kept - 1.0,
        room=unread_shift(measures) + reading_room(measures),
        variance=variance,
        minutes=minutes,
        draw=draw,
        waste_ml=max(waste, 0.0),
    )


def unread_shift(measures: Sequence[Measure]) -> float:
    """What the single marks miss the exact amounts by, which no reading can take back [1]."""
    return sum(one.shift for one in measures)


def reading_room(measures: Sequence[Measure]) -> float:
    """What the readings need: each gets the same part, as large as the coarsest one wants [1]."""
    rooms = [one.room for one in measures if one.is_read]
    return len(rooms) * max(rooms, default=0.0)
