"""A solution that stands there already and is close enough: poured out, with nothing added."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from prepdesk.calc import sentences
from prepdesk.calc.measuring import WATER_EXPANSION_PER_K
from prepdesk.calc.model import Amount, Apparatus, LotSource, RouteInput, SolutionSource
from prepdesk.calc.planner.account import decimals_of, volume_shown
from prepdesk.calc.planner.bench import Bench, Tool
from prepdesk.calc.planner.cost import measuring_minutes
from prepdesk.calc.planner.draft import Draft, concentration_of, draw_of
from prepdesk.calc.planner.refusal import Impossible, stop
from prepdesk.calc.planner.supplies import Choice
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.planner.writer import Writer, handling
from prepdesk.calc.uncertainty import COVERAGE, Input, budget, rectangular
from prepdesk.calc.units import to_ml

# The temperature at which a solution's label means its concentration [°C] (common practice).
LABEL_TEMPERATURE_C: Final = 20.0
_ROOM: Final = 1e-9


def serves_as_it_is(draft: Draft, choices: Sequence[Choice]) -> Supply | None:
    """The solution that is the one asked for within the tolerance, if there is one.

    The one a person chose or described, else a stock on the shelf that holds enough; what is left over of
    another order is only used where somebody chose it. One solute in water by volume: everything else is
    diluted.
    """
    if len(draft.wants) != 1:
        return None
    source, supplies = draft.wants[0].component.source, choices[0].supplies
    if source is not None:
        return _within(draft, supplies[0]) if isinstance(source, LotSource | SolutionSource) else None
    wanted = _wanted_ml(draft)
    stocks = (one for one in supplies if one.lot and one.free >= wanted)
    return next((one for one in stocks if _within(draft, one) is not None), None)


def _within(draft: Draft, supply: Supply) -> Supply | None:
    [want] = draft.wants
    if supply.kind != "solution" or supply.bottles or want.by_mass or draft.request.solvent != "water":
        return None
    spends = abs(_offset(want, supply)) + COVERAGE * _standard(draft, supply)
    return supply if spends <= want.tolerance * (1.0 + _ROOM) else None


def write_as_it_is(draft: Draft, supply: Supply, bench: Bench) -> float:
    """Fill a draft with the few steps of pouring a solution out; what is drawn [mL].

    Raises:
        Impossible: no cylinder to measure it with.
    """
    wanted = _wanted_ml(draft)
    tool = _cylinder(wanted, bench)
    # The scale need not be finer than what is asked; nobody is given less.
    volume = math.ceil(wanted / tool.step - _ROOM) * tool.step
    amount = Amount(volume, "mL", decimals_of(tool.step))
    _write_steps(draft, supply, tool, amount, bench)
    _write_results(draft, supply, amount)
    draft.minutes = _portions(volume, tool) * measuring_minutes(tool.apparatus)
    return volume


def _write_steps(draft: Draft, supply: Supply, tool: Tool, amount: Amount, bench: Bench) -> None:
    [want] = draft.wants
    substance, lot = want.component.substance, supply.lot
    code = lot.code if lot else ""
    portions = _portions(amount.value, tool)
    writer = Writer(draft.request, bench, staged=False)
    writer.add(
        "measure",
        sentences.pour_out(
            amount,
            f"{supply.label} (lot {code})" if lot else supply.label,
            tool.apparatus,
            portion="" if portions == 1 else f"in {sentences.count(portions)} portions ",
        ),
        substance=supply.substance.name,
        component=want.index,
        quantity=amount,
        equipment=tool.apparatus,
        lot=(lot.id, code) if lot else None,
        cautions=handling(supply.substance, "measure"),
        shown=f"{supply.strength} is {_percent_off(want, supply)} from {want.mol_per_l:.6g} mol/L",
    )
    codes = {
        code
        for trait, code in (("light-sensitive", "light_sensitive"), ("attacks-glass", "attacks_glass"))
        if trait in substance.traits
    }
    writer.add("store", sentences.store(substance.storage), cautions=codes)
    writer.add("label", sentences.label_poured(draft.title, amount, code))
    writer.draw(
        [RouteInput("solution", supply.label, amount, tool.apparatus)],
        _bottle(amount.value, bench, tool),
        1,
        f"{sentences.shown(amount)} of {draft.title}",
    )
    draft.steps, draft.route = writer.steps, writer.route


def _write_results(draft: Draft, supply: Supply, amount: Amount) -> None:
    [want] = draft.wants
    offset, standard = _offset(want, supply), _standard(draft, supply)
    draft.makes = volume_shown(amount.value)
    draft.budget.append(budget([*supply.by_ml, _temperature(draft)]))
    draft.concentrations.append(concentration_of(want, offset, COVERAGE * standard))
    draft.draws.append(draw_of(want.index, supply, amount.value, amount.decimals))
    draft.note(*supply.notes)
    draft.working.append(
        f"{want.name}: {supply.strength} for {want.mol_per_l:.6g} mol/L, {_percent_off(want, supply)};"
        " nothing is added."
    )
    draft.explanation = (
        f"{supply.label} stands there already and lies inside the {100.0 * want.tolerance:.3g} % allowed:"
        f" {_percent_off(want, supply)} off, ± {200.0 * standard:.2g} % (k = 2)."
    )
    draft.settling = {
        "kind": "volume",
        "volume_ml": amount.value,
        "flask": False,
        "components": [
            {
                "fixed": 1.0 + offset,
                "mol_per_l": want.mol_per_l,
                "rest_percent": 100.0 * standard,
                "tolerance_percent": 100.0 * want.tolerance,
                "readings": [],
            }
        ],
    }


def _wanted_ml(draft: Draft) -> float:
    typed = draft.request.volume
    return to_ml(float(typed.number.value), typed.unit)


def _portions(volume: float, tool: Tool) -> int:
    return math.ceil(volume / tool.size - _ROOM)


def _percent_off(want: Want, supply: Supply) -> str:
    return f"{100.0 * _offset(want, supply):+.2g} %"


def _offset(want: Want, supply: Supply) -> float:
    """How far the solution is from the target, relative [1]."""
    return 1000.0 * supply.mol_per_ml / want.mol_per_l - 1.0


def _temperature(draft: Draft) -> Input:
    """A litre at another temperature than the label means holds a little less or more of it."""
    apart = abs(draft.request.temperature_c - LABEL_TEMPERATURE_C)
    return Input(
        "temperature of use",
        rectangular(WATER_EXPANSION_PER_K * apart),
        "rectangular",
        f"{apart:g} °C from the {LABEL_TEMPERATURE_C:g} °C of the label, expansion of water",
    )


def _standard(draft: Draft, supply: Supply) -> float:
    """Relative standard uncertainty of the solution as it stands [1]."""
    return math.hypot(math.sqrt(supply.variance_ml), _temperature(draft).standard)


def _cylinder(volume: float, bench: Bench) -> Tool:
    if not bench.cylinders:
        raise Impossible(stop("no_apparatus", "No graduated cylinder here measures the solution."))
    return next((one for one in bench.cylinders if one.size >= volume * (1 - _ROOM)), bench.cylinders[-1])


def _bottle(volume: float, bench: Bench, tool: Tool) -> Apparatus:
    """What the drawing shows it in: a vessel that holds it, else the cylinder's own size."""
    found = bench.mixing_vessel(volume) or bench.carboy(volume)
    return found or replace(tool.apparatus, tolerance_ml=None)
