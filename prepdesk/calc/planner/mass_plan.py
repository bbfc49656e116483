"""Writes the plan of a solution that is weighed together."""

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from prepdesk.calc import sentences
from prepdesk.calc.ions import ion_totals
from prepdesk.calc.measuring import Room
from prepdesk.calc.model import Amount, Density, RouteInput
from prepdesk.calc.planner.account import as_shown, measure_inputs, tool_standard, volume_shown
from prepdesk.calc.planner.bench import Bench
from prepdesk.calc.planner.draft import Draft, concentration_of, draws_of
from prepdesk.calc.planner.entries import Entry, entries_of, medium_of, ordered_entries
from prepdesk.calc.planner.mass_route import MassQuestion, MassRoute
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.refusal import Impossible, stop, warn
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.volume_plan import wanted_volume_ml, write_end
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.planner.writer import Writer, handling, portions_of, window_of
from prepdesk.calc.uncertainty import COVERAGE, Input, budget

VESSEL_ROOM: Final = 1.1


def write_mass_plan(draft: Draft, route: MassRoute, density: Density | None, bench: Bench) -> None:
    """Fill a draft with the steps, results, budget and draws of a solution weighed together."""
    question = MassQuestion(
        draft.wants,
        route.supplies,
        route.composition,
        route.water_g_per_ml,
        Room(draft.request.temperature_c),
    )
    writer = Writer(draft.request, bench, staged=False)
    job = _MassJob(draft, route, question, writer, density)
    job.write()
    volume = wanted_volume_ml(draft)
    makes = volume_shown(volume) if density else mass_shown(route.composition.total_g)
    write_end(writer, draft, draft.title, makes)
    draft.steps, draft.route = writer.steps, writer.route
    draft.makes = makes
    draft.minutes = route.minutes
    draft.density = density
    draft.mass_of_solution_g = route.composition.total_g
    job.results()
    if density is not None:
        draft.ions = ion_totals(
            [
                (want.component.substance, job.mol_per_l(place) or 0.0)
                for place, want in enumerate(draft.wants)
            ]
        )
    else:
        draft.note(
            warn(
                "volume_not_exact",
                "No source covers the density of this solution, so its volume is not exact. It is made with"
                f" {route.composition.solvent_g:.4g} g of water, so it is at least about"
                f" {sentences.shown(volume_shown(volume))}. The concentration by mass does not depend on it.",
            )
        )


class _MassJob:
    """Writes one solution that is weighed together."""

    def __init__(
        self,
        draft: Draft,
        route: MassRoute,
        question: MassQuestion,
        writer: Writer,
        density: Density | None,
    ) -> None:
        self.draft, self.route, self.question, self.writer = draft, route, question, writer
        # Where no density is known the grams bound the millilitres: no such solution is lighter than water.
        volume = max(wanted_volume_ml(draft), route.composition.total_g if density is None else 0.0)
        volume *= VESSEL_ROOM
        self.vessel = writer.bench.mixing_vessel(volume) or writer.bench.carboy(volume)
        if self.vessel is None:
            raise Impossible(
                stop(
                    "no_vessel",
                    f"No beaker or carboy here holds {volume:.0f} mL. Order it in smaller batches.",
                )
            )
        self.density = density
        self.inputs: list[RouteInput] = []
        self.sources: list[dict[str, object]] = []

    def write(self) -> None:
        name = f"the {sentences.size(self.vessel)}" if self.vessel else ""
        solvent = self.writer.solvent
        entries = [
            entry
            for place, (want, supply, measure) in enumerate(
                zip(self.draft.wants, self.route.supplies, self.route.measures, strict=True)
            )
            for entry in entries_of(
                want.index, supply, measure, self._margin(want, place), self._shown(want, place)
            )
        ]
        solids, hot, quiet = ordered_entries(entries)
        for entry in solids:
            self._take(entry.component, entry, "")
        if self.route.water is not None:
            self._take_water(self.route.water, name)
        for entry in (*hot, *quiet):
            self._take(entry.component, entry, "")
            what = f"the {entry.supply.substance.name}"
            text = sentences.add_slowly(what, name) if entry.is_hot else sentences.add_to(what, name)
            codes = handling(entry.supply.substance, "mix") | (
                {"heat_of_solution"} if entry.is_hot else set()
            )
            self.writer.add(
                "mix",
                f"{text} {sentences.rinse_small(solvent)}",
                substance=entry.supply.substance.name,
                component=entry.component,
                equipment=self.vessel,
                cautions=codes,
            )
        last = [one for one in solids if medium_of(one, entries)]
        solids = [one for one in solids if one not in last]
        if solids:
            names = sentences.names([one.supply.substance.name for one in solids], "the ")
            warm = any(one.is_hot for one in solids)
            codes = {code for one in solids for code in handling(one.supply.substance, "dissolve")}
            self.writer.add(
                "dissolve",
                sentences.dissolve(names, None, name, solvent, hot=warm, portions=warm),
                substance=sentences.names([one.supply.substance.name for one in solids]),
                equipment=self.vessel,
                cautions=codes,
            )
        for entry in last:
            substance = entry.supply.substance
            self.writer.add(
                "dissolve",
                sentences.dissolve_after(f"the {substance.name}", medium_of(entry, entries), name),
                substance=substance.name,
                component=entry.component,
                equipment=self.vessel,
                cautions=handling(substance, "dissolve"),
            )
        self.writer.add("mix", sentences.mix_weighed(name), equipment=self.vessel)
        if self.vessel is not None:
            total = self.route.composition.total_g
            self.writer.draw(self.inputs, self.vessel, 1, f"{total:.4g} g of {self.draft.title}")

    def _take(self, component: int, entry: Entry, into: str) -> None:
        supply, measure = entry.supply, entry.measure
        steps = []
        portions = portions_of(measure)
        for place, (amount, exact) in enumerate(portions, start=1):
            portion = f"portion {place} of {len(portions)}: " if len(portions) > 1 else ""
            steps.append([self._step(entry, amount, exact, portion, into), exact])
        self._remember(component, steps, measure, supply, entry.standard(1))
        self.inputs.append(RouteInput(supply.kind, entry.label, as_shown(measure), measure.tool.apparatus))

    def _step(self, entry: Entry, amount: float, exact: float, portion: str, into: str) -> int:
        measure, supply = entry.measure, entry.supply
        quantity, item = as_shown(measure, amount), measure.tool.apparatus
        if entry.is_solid:
            traits = supply.substance.traits
            text = sentences.weigh_solid(
                quantity, entry.what, item, portion=portion,
                coarse="coarse" in traits, damp="takes-up-water" in traits,
            )  # fmt: skip
        elif measure.weighed:
            text = sentences.weigh_liquid(quantity, entry.what, item, portion=portion)
        else:
            text = sentences.measure(quantity, entry.what, item, times=1, portion=portion, into=into)
        return self.writer.add(
            "weigh" if measure.weighed else "measure",
            entry.which + text,
            substance=supply.substance.name,
            component=entry.component,
            quantity=quantity,
            equipment=item,
            window=window_of(measure, amount, exact, entry.margin, entry.most(1)),
            lot=entry.lot,
            cautions=handling(supply.substance, "weigh" if measure.weighed else "measure"),
            shown=entry.shown,
        )

    def _take_water(self, measure: Measure, name: str) -> None:
        solvent = self.writer.solvent
        margin = min(
            self._left(want) / 2.0 / max(self.question.water_share(place), 1e-6)
            for place, want in enumerate(self.draft.wants)
        )
        composition = self.route.composition
        shown = f"{composition.solvent_g:.6g} g of {solvent} in all"
        if composition.solvent_g - composition.water_g > 1e-6 * composition.solvent_g:
            shown += f", less what the bottles bring = {composition.water_g:.6g} g"
        if not measure.weighed:
            shown += f" ÷ {self.route.water_g_per_ml:.4f} g/mL = {measure.exact:.6g} mL"
        steps = []
        portions = portions_of(measure)
        for place, (amount, exact) in enumerate(portions, start=1):
            portion = f"portion {place} of {len(portions)}: " if len(portions) > 1 else ""
            quantity, item = as_shown(measure, amount), measure.tool.apparatus
            if measure.weighed:
                text = sentences.weigh_water(quantity, solvent, name, item, portion=portion)
            else:
                text = sentences.measure(quantity, solvent, item, times=1, portion=portion, into=name)
            number = self.writer.add(
                "weigh" if measure.weighed else "measure",
                text,
                substance=solvent,
                quantity=quantity,
                equipment=item,
                window=window_of(measure, amount, exact, margin),
                shown=shown,
            )
            steps.append([number, exact])
        self._remember(None, steps, measure, None, tool_standard(measure.tool, measure.times))
        self.inputs.append(RouteInput("liquid", solvent, as_shown(measure), measure.tool.apparatus))

    def _remember(
        self,
        component: int | None,
        steps: list[list[float]],
        measure: Measure,
        supply: Supply | None,
        standard: float,
    ) -> None:
        g_per_unit = 1.0
        if not measure.weighed:
            density = supply.density if supply else None
            g_per_unit = density.g_per_ml if density else self.route.water_g_per_ml
        self.sources.append(
            {
                "component": component,
                "steps": steps if measure.is_read else [],
                "planned_g": measure.amount * g_per_unit,
                "g_per_unit": g_per_unit,
                "standard_uncertainty_g": standard * g_per_unit,
                "mol_per_g": supply.mol_per_g if supply else 0.0,
                "solvent_part": supply.solvent_part if supply else 1.0,
                "unit": "g" if measure.weighed else "mL",
            }
        )

    # --- figures ----------------------------------------------------------------------------------
    def _left(self, want: Want) -> float:
        spent = COVERAGE * math.sqrt(self.route.variances[want.index]) + self.route.shifts[want.index]
        return max(want.tolerance - spent, 0.0)

    def _margin(self, want: Want, place: int) -> float:
        return self._left(want) / 2.0 / max(1.0 - self.question.share(place, place), 1e-6)

    def _shown(self, want: Want, place: int) -> str:
        composition, supply = self.route.composition, self.route.supplies[place]
        typed = want.component.target
        mass = composition.sources_g[place]
        if want.fraction:
            whole = f"{composition.total_g:.6g} g × {typed.number.text} {typed.unit}"
            form = supply.molar_mass / want.named.g_per_mol
            change = (
                f" × ({supply.molar_mass:.3f} ÷ {want.named.g_per_mol:.3f})" if abs(form - 1) > 1e-9 else ""
            )
        else:
            whole = f"{composition.solvent_g / 1000:.6g} kg × {typed.number.text} mol/kg"
            change = f" × {supply.molar_mass:.3f} g/mol"
        words = f"{whole}{change} ÷ {supply.fraction:.5g} = {mass:.6g} g"
        if supply.kind == "solution":
            words = f"{whole} ÷ {supply.strength} = {mass:.6g} g"
        measure = self.route.measures[place]
        if not measure.weighed and supply.density is not None:
            words += f" ÷ {supply.density.g_per_ml:.5g} g/mL = {measure.exact:.6g} mL"
        return words

    def results(self) -> None:
        draft, route = self.draft, self.route
        components = []
        for place, (want, supply, measure) in enumerate(
            zip(draft.wants, route.supplies, route.measures, strict=True)
        ):
            draft.budget.append(budget(list(self._inputs(place))))
            expanded = COVERAGE * math.sqrt(route.variances[place])
            draft.concentrations.append(concentration_of(want, route.offsets[place], expanded))
            draft.draws += draws_of(want.index, supply, measure, 1)
            draft.note(*supply.notes)
            typed = want.component.target
            draft.working.append(f"{want.name}: target {typed.number.text} {typed.unit}.")
            draft.working.append(f"{want.name}: {self._shown(want, place)}.")
            draft.working.append(
                f"{want.name}: expanded uncertainty (k = 2) {100 * expanded:.2g} %, with the rounding"
                f" {100 * route.spends(place):.2g} % of the {100 * want.tolerance:.3g} % allowed."
            )
            components.append(
                {
                    "kind": "fraction" if want.fraction else "molality",
                    "exact": want.fraction or want.molality,
                    "mol_per_l": self.mol_per_l(place),
                    "named_g_per_mol": want.named.g_per_mol,
                    "rest_percent": 100.0 * math.sqrt(self._bottle_variance(place)),
                    "tolerance_percent": 100.0 * want.tolerance,
                }
            )
        draft.settling = {"kind": "mass", "components": components, "sources": self.sources}

    def mol_per_l(self, place: int) -> float | None:
        """The target in mol/L, where the density of the solution is known."""
        if self.density is None:
            return None
        composition, supply = self.route.composition, self.route.supplies[place]
        moles = composition.sources_g[place] * supply.mol_per_g
        return 1000.0 * moles / composition.total_g * self.density.g_per_ml

    def _bottle_variance(self, place: int) -> float:
        supply = self.route.supplies[place]
        return supply.variance_g if self.route.measures[place].weighed else supply.variance_ml

    def _inputs(self, place: int) -> Iterator[Input]:
        """Every relative input of one target by its sensitivity; the squares add up to its variance."""
        room = Room(self.draft.request.temperature_c)
        for other, (supply, measure) in enumerate(zip(self.route.supplies, self.route.measures, strict=True)):
            share = self.question.share(place, other)
            factor = 1.0 - share if other == place else share
            name = "" if other == place else supply.substance.name
            for one in measure_inputs(measure, room, name):
                yield replace(one, standard=one.standard * factor)
            if other == place:
                yield from supply.by_g if measure.weighed else supply.by_ml
        if self.route.water is not None:
            factor = self.question.water_share(place)
            for one in measure_inputs(self.route.water, room, "water"):
                yield replace(one, standard=one.standard * factor)


def mass_shown(mass_g: float) -> Amount:
    """A mass of solution at four digits or so."""
    return Amount(mass_g, "g", 1 if mass_g < 1000 else 0)
