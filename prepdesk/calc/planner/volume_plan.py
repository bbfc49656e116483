"""Writes the plan of a solution that is made up to a volume, from the route the search chose."""

import math
from collections.abc import Iterator, Sequence

from prepdesk.calc import sentences
from prepdesk.calc.errors import NoDensity
from prepdesk.calc.ions import ion_totals
from prepdesk.calc.model import Amount, Density
from prepdesk.calc.planner.account import (
    chain_inputs,
    significant,
    tool_variance,
    vessel_inputs,
    volume_shown,
)
from prepdesk.calc.planner.bench import Bench
from prepdesk.calc.planner.chains import Chain, unread_shift
from prepdesk.calc.planner.draft import Draft, concentration_of, draws_of
from prepdesk.calc.planner.entries import Entry, entries_of
from prepdesk.calc.planner.fill import Filling, fill
from prepdesk.calc.planner.mix_density import density_of_mix
from prepdesk.calc.planner.refusal import warn
from prepdesk.calc.planner.search import Route
from prepdesk.calc.planner.wanted import Want, target_shown
from prepdesk.calc.planner.working import (
    aliquot_working,
    direct_working,
    intermediate_in_words,
    litres,
    stage_working,
    target_in_words,
    uncertainty_lines,
)
from prepdesk.calc.planner.writer import Group, Writer
from prepdesk.calc.uncertainty import COVERAGE, budget
from prepdesk.calc.units import to_ml


def write_volume_plan(draft: Draft, route: Route, bench: Bench) -> None:
    """Fill a draft with the steps, results, budget and draws of a chosen route."""
    vessel = route.vessel
    writer = Writer(draft.request, bench, staged=any(chain.stages for chain in route.chains))
    entries = []
    for want, chain in zip(draft.wants, route.chains, strict=True):
        margin = _margin(want, chain, vessel.variance)
        entries += _write_stages(writer, want, chain, margin=margin, route=route, draft=draft)
    title = draft.title
    made = volume_shown(vessel.volume_ml)
    if writer.filled and vessel.is_flask:
        writer.take_clean(vessel.tool.apparatus)
    fill(
        writer,
        Filling(
            tool=vessel.tool,
            volume_ml=vessel.filling_ml,
            fillings=vessel.fillings,
            portions=vessel.portions,
            pool=vessel.pool,
            title=f"{sentences.shown(made)} of {title}",
            tempered=route.room.tempered,
            is_final=True,
        ),
        entries,
    )
    pool = vessel.pool
    carboy = f"the {sentences.size(pool)}" if pool is not None and pool.type == "carboy" else ""
    apart = vessel.fillings if pool is None else 1
    write_end(writer, draft, title, volume_shown(vessel.volume_ml / apart), carboy, bottles=apart)
    draft.steps, draft.route, draft.makes = writer.steps, writer.route, made
    _write_results(draft, route)
    draft.settling = _settling(draft.wants, route, writer)
    draft.minutes = route.minutes
    draft.ions = ion_totals([(want.component.substance, want.mol_per_l) for want in draft.wants])
    wanted_ml = wanted_volume_ml(draft)
    if vessel.volume_ml > wanted_ml * (1.0 + 1e-9):
        draft.note(
            warn(
                "made_more",
                f"{sentences.shown(volume_shown(wanted_ml))} was asked;"
                f" {sentences.shown(made)} is made, because that is what the apparatus measures."
                " All amounts are scaled to it.",
            )
        )


def wanted_volume_ml(draft: Draft) -> float:
    """The volume that was asked for [mL]."""
    typed = draft.request.volume
    return to_ml(float(typed.number.value), typed.unit)


def write_end(
    writer: Writer, draft: Draft, title: str, makes: Amount, carboy: str = "", *, bottles: int = 1
) -> None:
    """Store and label, as every sheet ends; ``makes`` is what one bottle holds."""
    substances = [want.component.substance for want in draft.wants]
    storage = " ".join(dict.fromkeys(one.storage for one in substances if one.storage))
    codes = {
        code
        for one in substances
        for trait, code in (("light-sensitive", "light_sensitive"), ("attacks-glass", "attacks_glass"))
        if trait in one.traits
    }
    writer.add("store", sentences.store(storage, carboy, bottles), cautions=codes)
    writer.add("label", sentences.label(title, makes, writer.temperature, bottles))


def _margin(want: Want, chain: Chain, vessel_variance: float) -> float:
    """How far each reading may lie off: what the uncertainty leaves, shared by the readings."""
    measures = (*(stage.measure for stage in chain.stages), chain.last)
    left = want.tolerance - COVERAGE * math.sqrt(chain.variance + vessel_variance) - unread_shift(measures)
    readings = sum(measure.is_read for measure in measures)
    return max(left, 0.0) / max(readings, 1)


def _write_stages(
    writer: Writer, want: Want, chain: Chain, *, margin: float, route: Route, draft: Draft
) -> list[Entry]:
    """Write a component's intermediates, and return what goes into the final vessel."""
    target = target_in_words(want)
    draft.working.append(f"{want.name}: target {target}.")
    strength = before = ""
    for number, stage in enumerate(chain.stages, start=1):
        words = intermediate_in_words(want, stage)
        name = f"intermediate solution {writer.stage} ({words} {want.name})"
        if number == 1:
            shown = stage_working(want, chain.supply, stage)
        else:
            shown = aliquot_working(strength, stage.measure, stage.flask.size, words)
        entries = list(
            entries_of(want.index, chain.supply, stage.measure, margin, shown, intermediate=before)
        )
        writer.take_clean(stage.flask.apparatus)
        fill(
            writer,
            Filling(
                tool=stage.flask,
                volume_ml=stage.flask.size,
                fillings=1,
                portions=1,
                pool=None,
                title=f"{stage.flask.size:g} mL of {name}",
                tempered=route.room.tempered,
                is_final=False,
            ),
            list(entries),
        )
        draft.working.append(f"{name}: {shown}.")
        writer.stage += 1
        if number > 1:
            writer.served.append((chain.stages[number - 2].flask.apparatus, before))
        strength, before = words, f"the {name}"
    volume = route.vessel.filling_ml
    if chain.stages:
        direct_unit = want.kind in ("amount per volume", "mass per volume")
        target = target_shown(want.component) if direct_unit else f"{want.mol_per_l:.6g} mol/L"
        shown = aliquot_working(strength, chain.last, volume, target)
    else:
        shown = direct_working(want, chain.supply, chain.last, volume)
    draft.working.append(f"{want.name}: {shown}.")
    return list(entries_of(want.index, chain.supply, chain.last, margin, shown, intermediate=before))


def _write_results(draft: Draft, route: Route) -> None:
    vessel = route.vessel
    for want, chain in zip(draft.wants, route.chains, strict=True):
        inputs = [
            *chain_inputs(chain, route.room),
            *vessel_inputs(vessel, route.room),
        ]
        draft.budget.append(budget(inputs))
        expanded = COVERAGE * math.sqrt(chain.variance + vessel.variance)
        draft.concentrations.append(concentration_of(want, chain.offset, expanded))
        draft.draws += draws_of(want.index, chain.supply, chain.first, 1 if chain.stages else chain.fillings)
        draft.working.extend(uncertainty_lines(want, chain, vessel))
        draft.note(*chain.supply.notes)
    _write_density(draft, vessel.volume_ml)


def _write_density(draft: Draft, volume_ml: float) -> None:
    """Mass of the solution, where a source covers its density; else it stays empty."""
    found = draft.density
    if found is None:
        draft.working.append("Density of the solution: no source covers it.")
        return
    draft.mass_of_solution_g = found.g_per_ml * volume_ml
    draft.working.append(
        f"Mass of the solution: {litres(volume_ml)} × {found.g_per_ml:.4f} g/mL ="
        f" {significant(draft.mass_of_solution_g, 4, 'g').text} g ({found.basis})."
    )


def density_or_none(draft: Draft) -> Density | None:
    """Density of the solution asked for, if it is in water and a source covers it."""
    if draft.request.solvent != "water":
        return None
    grams: dict[str, float] = {}
    for want in draft.wants:
        key = want.component.substance.key
        grams[key] = grams.get(key, 0.0) + want.mol_per_l * want.solute.g_per_mol
    try:
        return density_of_mix(grams, draft.request.temperature_c)
    except NoDensity:
        return None


def _settling(wants: Sequence[Want], route: Route, writer: Writer) -> dict[str, object]:
    """What settling needs: per component the readings, what they stand for, and what is fixed besides."""
    components = []
    for want, chain in zip(wants, route.chains, strict=True):
        groups = [group for group in writer.groups if group.component == want.index]
        measures = [*(stage.measure for stage in chain.stages), chain.last]
        unread = [one for one in measures if not one.is_read and not one.parts]
        rest = chain.variance + route.vessel.variance
        rest -= sum(tool_variance(one) for one in measures if one.is_read or one.parts)
        components.append(
            {
                "fixed": math.prod(1.0 + one.offset for one in unread),
                "mol_per_l": want.mol_per_l,
                "rest_percent": 100.0 * math.sqrt(max(rest, 0.0)),
                "tolerance_percent": 100.0 * want.tolerance,
                "readings": list(_readings(groups)),
            }
        )
    return {
        "kind": "volume",
        "volume_ml": route.vessel.volume_ml,
        "flask": route.vessel.is_flask,
        "components": components,
    }


def _readings(groups: Sequence[Group]) -> Iterator[dict[str, object]]:
    """One entry for each amount that was read; several bottles of one amount stand together in one."""
    bottles = [group for group in groups if group.per_unit]
    if bottles:
        yield {
            "exact_mol": sum(group.exact * group.per_unit for group in bottles),
            "bottles": [
                {
                    "steps": [[number, exact] for number, exact in group.steps] if group.is_read else [],
                    "planned": group.planned,
                    "mol_per_unit": group.per_unit,
                    "standard_uncertainty": group.standard,
                    "unit": group.unit,
                }
                for group in bottles
            ],
        }
    for group in groups:
        if not group.per_unit:
            yield {
                "steps": [[number, exact] for number, exact in group.steps],
                "standard_uncertainty": group.standard,
                "unit": group.unit,
            }
