"""What else on the shelf would serve for a component: planned with, and never applied by itself.

Another hydrate, another grade, a reagent of another strength, a stock to dilute, a solution left over:
each is offered only after a whole plan with it, and names what a person must weigh before choosing it.
A bottle serves only where the catalogue says that a mole of it puts the same thing into solution.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from prepdesk.calc import sentences
from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import (
    Amount,
    Caution,
    LotSource,
    Plan,
    Shelf,
    ShelfLot,
    Shortage,
    Substance,
    TypedQuantity,
)
from prepdesk.calc.planner.account import significant, volume_shown
from prepdesk.calc.planner.instead_words import Candidate, Kind, offer_cautions, offer_text
from prepdesk.calc.planner.plan import make_plan
from prepdesk.calc.request_sources import same_solute
from prepdesk.calc.typed import parse_positive
from prepdesk.calc.units import to_ml

# A stop of these codes means that the shelf is short and nothing else is wrong.
SHELF_CODES: Final = frozenset({"out_of_stock", "not_on_shelf"})
# In this order they are offered: what would otherwise be thrown away comes first.
_ORDER: Final[tuple[Kind, ...]] = ("leftover", "form", "grade", "reagent", "solution", "part")
# A person chooses among a few; and each try is a plan of its own.
MAX_OFFERED: Final = 5
MAX_TRIED: Final = 10
# Tolerances that are tried where the one asked is too tight for a bottle [%] (common practice).
LOOSER: Final = (0.5, 1.0, 2.0, 3.0, 5.0)
# Less than this part of the volume is no help to anybody [1].
_LEAST_PART: Final = 0.05


@dataclass(frozen=True, slots=True)
class Instead:
    """Something on the shelf that would serve for one component.

    Attributes:
        component: index of the component.
        kind: a solution that is ``leftover``, another ``form`` or ``grade`` of a solid, a liquid
            ``reagent``, a stock ``solution``, or a ``part`` of the volume from what is free.
        substance: the form in the bottle; None for a part.
        lot: the bottle; None for a part.
        amount: taken from the bottle [g or mL]; of a part, the volume that could be made [mL].
        text: the offer as a sentence.
        cautions: what goes with it.
        feasible: whether the plan with it fits the tolerance asked.
        tolerance_percent: that it was planned at; more than asked where ``feasible`` is false.
        as_it_is: whether the solution is used without being diluted.
    """

    component: int
    kind: Kind
    substance: Substance | None
    lot: ShelfLot | None
    amount: Amount
    text: str
    cautions: tuple[Caution, ...]
    feasible: bool
    tolerance_percent: float
    as_it_is: bool = False


def what_would_serve(plan: Plan, catalogue: Catalogue, shelf: Shelf) -> tuple[Instead, ...]:
    """Everything that would serve instead, for components that are short; leftovers also for the others.

    Args:
        plan: as the planner left it, short or not.
        catalogue: the substances and their forms.
        shelf: what the plan was made with.

    Returns:
        The offers by component, leftovers first; empty where nothing is short and nothing is left over.
    """
    if not shelf.lots or plan.request.solvent != "water":
        return ()
    search = _Search(plan, catalogue, shelf)
    found: list[Instead] = []
    short = {one.component: one for one in plan.shortages}
    for index, component in enumerate(plan.request.components):
        if index in short:
            found += search.offers(index, short[index])
        elif component.source is None:
            found += search.offers(index, None)
    return (*found, *search.part())


@dataclass(frozen=True, slots=True)
class _Search:
    plan: Plan
    catalogue: Catalogue
    shelf: Shelf

    def offers(self, index: int, shortage: Shortage | None) -> list[Instead]:
        """What was planned and found to serve one component, best first."""
        candidates = sorted(
            self._candidates(index, leftovers_only=shortage is None),
            key=lambda one: (_ORDER.index(one.kind), one.lot.expires or "9999", one.lot.id),
        )
        planned = [self._planned(index, one, shortage) for one in candidates[:MAX_TRIED]]
        return sorted((one for one in planned if one is not None), key=lambda one: not one.feasible)[
            :MAX_OFFERED
        ]

    def _candidates(self, index: int, *, leftovers_only: bool) -> Iterator["Candidate"]:
        """Bottles with the same solute that the plan does not draw from already."""
        named = self.plan.request.components[index].substance
        taken = {one.lot_id for one in self.plan.draws if one.component == index}
        family = {one.key for one in self.catalogue.forms_of(named.family or named.key)} | {named.key}
        for lot in self.shelf.lots:
            if lot.substance_key not in family or lot.id in taken or lot.free <= 0:
                continue
            if leftovers_only and not lot.is_prepared:
                continue
            try:
                inside = self.catalogue.by_key(lot.substance_key)
            except InputError:
                continue
            if counts_the_same(named, inside):
                yield Candidate(_kind(lot, named), lot, inside)

    def _planned(self, index: int, one: "Candidate", shortage: Shortage | None) -> Instead | None:
        """The offer, if a plan with this bottle fits; at a looser tolerance it says so."""
        asked = self.plan.tolerance_percent
        with_it = self._plan_with(index, one.lot)
        tolerance, feasible = asked, _serves(with_it, index)
        if not feasible:
            if not _only_too_tight(with_it, index):
                return None
            looser = next(
                (
                    (percent, planned)
                    for percent in LOOSER
                    if percent > asked
                    for planned in [self._plan_with(index, one.lot, percent)]
                    if _serves(planned, index)
                ),
                None,
            )
            if looser is None:
                return None
            tolerance, with_it = looser
        amount = _taken(with_it, index, one.lot)
        as_it_is = one.lot.kind == "solution" and all(step.action != "make_up" for step in with_it.steps)
        text = offer_text(
            self.plan,
            self.shelf,
            one,
            index=index,
            amount=amount,
            shortage=shortage,
            as_it_is=as_it_is,
            makes=with_it.makes,
        )
        if not feasible:
            text += f" It serves only where {tolerance:g} % is allowed; {asked:g} % is asked."
        return Instead(
            component=index,
            kind=one.kind,
            substance=one.inside,
            lot=one.lot,
            amount=amount,
            text=text,
            cautions=tuple(offer_cautions(self.plan, self.shelf, one, index, with_it)),
            feasible=feasible,
            tolerance_percent=tolerance,
            as_it_is=as_it_is,
        )

    def _plan_with(self, index: int, lot: ShelfLot, tolerance: float | None = None) -> Plan:
        request = self.plan.request
        components = list(request.components)
        components[index] = replace(components[index], source=LotSource(lot.id))
        changed = replace(
            request,
            components=tuple(components),
            tolerance_percent=request.tolerance_percent if tolerance is None else tolerance,
        )
        return make_plan(changed, self.catalogue, self.shelf)

    # --- part of it ---------------------------------------------------------------------------------
    def part(self) -> Iterator[Instead]:
        """How much could be made of what is free, where a plan says so."""
        short = [one for one in self.plan.shortages if one.needed.value > 0.0]
        stops = {one.code for one in self.plan.problems if one.severity == "stop"}
        if not short or not stops <= SHELF_CODES:
            return
        scarce = min(short, key=lambda one: one.free.value / one.needed.value)
        typed = self.plan.request.volume
        volume = to_ml(float(typed.number.value), typed.unit)
        most = volume * scarce.free.value / scarce.needed.value
        if most < _LEAST_PART * volume:
            return
        for wanted in self._part_volumes(most):
            quantity = TypedQuantity(parse_positive(wanted.text), "mL")
            if make_plan(replace(self.plan.request, volume=quantity), self.catalogue, self.shelf).feasible:
                yield Instead(
                    component=scarce.component,
                    kind="part",
                    substance=None,
                    lot=None,
                    amount=wanted,
                    text=f"What is free is enough for {sentences.shown(wanted)} of the {typed.number.text}"
                    f" {typed.unit}.",
                    cautions=(),
                    feasible=True,
                    tolerance_percent=self.plan.tolerance_percent,
                )
                return

    def _part_volumes(self, most: float) -> list[Amount]:
        """Volumes to try, largest first: all that is free gives, a little less, then sizes of flasks."""
        ware = standard_set() if self.plan.request.equipment == "standard" else self.shelf.apparatus
        flasks = {one.nominal_ml for one in ware if one.type == "one-mark flask" and one.nominal_ml}
        sizes = sorted((one for one in flasks if one <= most), reverse=True)[:3]
        tried = {_rounded_down(most, 3), _rounded_down(0.97 * most, 2), *sizes}
        return [volume_shown(one) for one in sorted(tried, reverse=True) if one > 0.0]


def counts_the_same(one: Substance, other: Substance) -> bool:
    """Whether a mole of either puts the same thing, counted the same way, into solution.

    The formulas without hydrate water must agree, and so must what the catalogue says is counted.

    >>> salt = Substance(key="a", name="a", formula="CuSO4", family="f", solute_formula="CuSO4")
    >>> counts_the_same(salt, replace(salt, key="b", formula="CuSO4.5H2O"))
    True
    >>> counts_the_same(salt, replace(salt, key="c", solute_formula="Cu"))
    False
    """
    if not same_solute(one, other):
        return False
    if not one.solute_formula or not other.solute_formula:
        return True
    return parse_formula(one.solute_formula).counts == parse_formula(other.solute_formula).counts


def _kind(lot: ShelfLot, named: Substance) -> Kind:
    if lot.kind == "solution":
        return "leftover" if lot.is_prepared else "solution"
    if lot.kind == "liquid":
        return "reagent"
    return "grade" if lot.substance_key == named.key else "form"


def _serves(plan: Plan, index: int) -> bool:
    """Whether a plan does for one component; others may be short of something themselves."""
    short = {one.component for one in plan.shortages}
    stops = {one.code for one in plan.problems if one.severity == "stop"}
    return bool(plan.steps) and index not in short and (not stops or (bool(short) and stops <= SHELF_CODES))


def _only_too_tight(plan: Plan, index: int) -> bool:
    stops = {one.code for one in plan.problems if one.severity == "stop"}
    return (
        "tolerance_not_reachable" in stops
        and stops <= SHELF_CODES | {"tolerance_not_reachable"}
        and index not in {one.component for one in plan.shortages}
    )


def _taken(plan: Plan, index: int, lot: ShelfLot) -> Amount:
    """What the steps take from a bottle, in the unit of the bench; else what is drawn."""
    found = [
        step.quantity
        for step in plan.steps
        if step.component == index and step.lot and step.lot[0] == lot.id and step.quantity is not None
    ]
    if found and len({one.unit for one in found}) == 1:
        return replace(found[0], value=sum(one.value for one in found))
    drawn = [one.amount for one in plan.draws if one.component == index and one.lot_id == lot.id]
    return drawn[0] if drawn else significant(0.0, 1, "g")


def _rounded_down(value: float, digits: int) -> float:
    """A volume rounded down to so many significant digits [mL]."""
    text = f"{value:.15e}"
    mantissa, exponent = text.split("e")
    kept = mantissa.replace(".", "")[:digits]
    return float(f"{kept}e{int(exponent) - digits + 1}")
