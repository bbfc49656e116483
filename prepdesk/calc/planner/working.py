"""The working, line by line, for people who check by hand."""

from collections.abc import Sequence

from prepdesk.calc.planner.account import significant
from prepdesk.calc.planner.chains import Chain, Stage
from prepdesk.calc.planner.measures import Measure, Part
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.vessels import Vessel
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.uncertainty import COVERAGE


def litres(volume_ml: float) -> str:
    """A volume in litres, as ``0.5 L``."""
    return f"{volume_ml / 1000.0:.10g} L"


def target_in_words(want: Want) -> str:
    """The target as typed, with what it means in the planner's measure where that differs."""
    target = want.component.target
    typed = f"{target.number.text} {target.unit}"
    if target.unit == "mol/L" or want.by_mass:
        return typed
    if target.unit == "eq/L":
        return f"{typed} ÷ {want.component.equivalents} = {want.mol_per_l:.6g} mol/L"
    if want.counts_moles:
        return f"{typed} = {want.mol_per_l:.6g} mol/L"
    per_l = want.mol_per_l * want.named.g_per_mol
    return typed if target.unit == "g/L" else f"{typed} = {per_l:.6g} g/L of {want.name}"


def exact_in_words(measure: Measure, exact: float | None = None) -> str:
    """An exact amount with two digits more than its tool shows."""
    unit = "g" if measure.weighed else "mL"
    value = measure.exact if exact is None else exact
    return f"{value:.6g} {unit}"


def direct_working(want: Want, supply: Supply, measure: Measure, vessel_ml: float) -> str:
    """How the amount from the bottle follows from the target, for a way without intermediates."""
    return f"{litres(vessel_ml)} × {_strength(want, supply, measure)} = {exact_in_words(measure)}"


def part_working(parts: Sequence[Part], place: int) -> str:
    """What one of several bottles brings; the last one brings what is left.

    Args:
        parts: the bottles in the order they are used.
        place: which of them, from 1.
    """
    total = sum(one.measure.exact * one.per_unit for one in parts)
    part = parts[place - 1]
    amount, moles = exact_in_words(part.measure), part.measure.exact * part.per_unit
    if place < len(parts):
        return f"{amount} × {_moles_per_unit(part)} = {moles:.5g} mol of the {total:.5g} mol wanted"
    return f"the rest, {moles:.5g} mol of {total:.5g} mol, ÷ ({_moles_per_unit(part)}) = {amount}"


def _moles_per_unit(part: Part) -> str:
    """The bottle's own strength as solute per gram or millilitre."""
    supply = part.supply
    density = supply.density
    if supply.kind == "solution":
        per_ml = f"{supply.mol_per_ml:.6g} mol/mL"
        return f"{per_ml} ÷ {density.g_per_ml:.5g} g/mL" if part.measure.weighed and density else per_ml
    per_g = f"{supply.fraction:.5g} ÷ {supply.molar_mass:.3f} g/mol"
    return per_g if part.measure.weighed or density is None else f"{density.g_per_ml:.5g} g/mL × {per_g}"


def stage_working(want: Want, supply: Supply, stage: Stage) -> str:
    """How the amount from the bottle follows from the intermediate's concentration."""
    concentration = intermediate_in_words(want, stage)
    per_litre = _by_supply(want, supply, stage.measure, concentration)
    return f"{litres(stage.flask.size)} × {per_litre} = {exact_in_words(stage.measure)}"


def aliquot_working(strength: str, measure: Measure, vessel_ml: float, target: str) -> str:
    """How an aliquot of an intermediate follows from what it must give."""
    return f"{litres(vessel_ml)} × {target} ÷ {strength} = {exact_in_words(measure)}"


def intermediate_in_words(want: Want, stage: Stage) -> str:
    """An intermediate's concentration in the unit of the target."""
    if want.kind not in ("amount per volume", "mass per volume"):
        return f"{stage.mol_per_l:.4g} mol/L"
    typed = want.component.target
    value = float(typed.number.value) * stage.mol_per_l / want.mol_per_l
    return f"{significant(value, 4, typed.unit).text} {typed.unit}"


def _strength(want: Want, supply: Supply, measure: Measure) -> str:
    if want.counts_moles:
        return _by_supply(want, supply, measure, f"{want.mol_per_l:.6g} mol/L")
    return _by_supply(want, supply, measure, f"{want.mol_per_l * want.named.g_per_mol:.6g} g/L")


def _by_supply(want: Want, supply: Supply, measure: Measure, concentration: str) -> str:
    """Concentration times what turns it into grams or millilitres of what is in the bottle."""
    if supply.kind == "solution":
        stock = f"{concentration} ÷ {_stock_in_words(want, supply, concentration)}"
        return (
            f"{stock} × {supply.density.g_per_ml:.5g} g/mL" if measure.weighed and supply.density else stock
        )
    parts = concentration
    in_moles = concentration.split(" ", 1)[1].startswith(("mol", "mmol", "umol"))
    if in_moles:
        parts += f" × {supply.molar_mass:.3f} g/mol"
    elif abs(supply.molar_mass - want.named.g_per_mol) > 1e-6:
        parts += f" × ({supply.molar_mass:.3f} ÷ {want.named.g_per_mol:.3f})"
    part = f"{supply.fraction:.5g}"
    if supply.density is not None and not measure.weighed:
        return f"{parts} ÷ ({part} × {supply.density.g_per_ml:.5g} g/mL)"
    return f"{parts} ÷ {part}"


def _stock_in_words(want: Want, supply: Supply, concentration: str) -> str:
    """The stock's concentration in the same measure as what it is divided into."""
    unit = concentration.split(" ", 1)[1]
    # A bottle's label is rounded to what its uncertainty supports; the working counts on with all digits.
    if unit in supply.strength and supply.lot is None and not supply.bottles:
        return supply.strength
    if unit == "mol/L":
        return f"{1000.0 * supply.mol_per_ml:.6g} mol/L"
    return f"{1000.0 * supply.mol_per_ml * want.named.g_per_mol:.6g} g/L"


def uncertainty_lines(want: Want, chain: Chain, vessel: Vessel) -> list[str]:
    """How much of the tolerance is spent, and on what."""
    expanded = COVERAGE * (chain.variance + vessel.variance) ** 0.5
    lines = []
    if abs(chain.offset) > 5e-7:
        lines.append(
            f"{want.name}: rounding to what the apparatus shows changes it by {100 * chain.offset:+.3f} %."
        )
    lines.append(
        f"{want.name}: expanded uncertainty (k = 2) {100 * expanded:.2g} %, with the rounding and"
        f" a reading a step beside it {100 * chain.spends(vessel.variance):.2g} % of the"
        f" {100 * want.tolerance:.3g} % allowed."
    )
    return lines
