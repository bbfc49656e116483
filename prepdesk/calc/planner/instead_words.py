"""The words of an offer: what it is, instead of what, and what to weigh before choosing it."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from prepdesk.calc import sentences
from prepdesk.calc.cautions import cautions_for
from prepdesk.calc.model import Amount, Caution, LotSource, Plan, Shelf, ShelfLot, Shortage, Substance
from prepdesk.calc.request_sources import find_lot

Kind = Literal["leftover", "form", "grade", "reagent", "solution", "part"]

# What hydrate water means for the one who weighs (common practice).
_LOSES_WATER: Final = Caution(
    "loses_water",
    "It loses hydrate water in dry air: crystals that look white or powdery hold less water than the formula"
    " says, and then the amount is wrong.",
)
_NO_ASSAY: Final = Caution(
    "assay_assumed", "Its label states no assay, so 100 % is taken; it may hold less than that."
)
_LOOK_FIRST: Final = Caution(
    "look_first", "Look at it first: clear, nothing settled out, its label whole and its stopper tight."
)
_NO_UNCERTAINTY: Final = Caution("uncertainty_assumed", "Its label states no uncertainty; ± 1 % is assumed.")
# Of a form, these words of the catalogue's cautions matter when it takes another's place.
_FORM_CODES: Final = frozenset(
    {"takes_up_water", "takes_up_carbon_dioxide", "heat_of_solution", "grind_coarse"}
)
# Warnings of a plan that belong to the bottle and not to the order.
_OF_THE_BOTTLE: Final = frozenset({"other_form", "standardise"})


@dataclass(frozen=True, slots=True)
class Candidate:
    """A bottle that may serve: which kind of offer it would be, and the form inside it."""

    kind: Kind
    lot: ShelfLot
    inside: Substance


def offer_text(
    plan: Plan,
    shelf: Shelf,
    one: Candidate,
    *,
    index: int,
    amount: Amount,
    shortage: Shortage | None,
    as_it_is: bool,
    makes: Amount | None,
) -> str:
    """The offer as a sentence, with the amount worked out and what it would stand in for."""
    lot, name = one.lot, one.inside.name
    taken = sentences.shown(amount)
    if lot.kind == "solution":
        strength = f"{lot.strength_shown} mol/L {name}"
        way = (
            "to use as it is"
            if as_it_is
            else f"to dilute to {sentences.shown(makes)}"
            if makes
            else "to dilute"
        )
        text = f"{taken} of {strength}, lot {lot.code}, {way}{_history(lot)}"
        return f"A leftover that is still good: {text}." if one.kind == "leftover" else f"{text}."
    strength = ", ".join(
        word for word in (_strength(lot, one.inside), one.kind == "grade" and lot.grade) if word
    )
    inside = f" ({strength})" if strength else ""
    instead = (
        f", instead of {sentences.shown(shortage.needed)} of {_asked(plan, shelf, index)}" if shortage else ""
    )
    return f"{taken} of {name}{inside}, lot {lot.code}{instead}."


def _asked(plan: Plan, shelf: Shelf, index: int) -> str:
    component = plan.request.components[index]
    if isinstance(component.source, LotSource):
        chosen = find_lot(shelf, component.source.lot_id)
        if chosen is not None:
            return f"lot {chosen.code}"
    return component.substance.name


def offer_cautions(plan: Plan, shelf: Shelf, one: Candidate, index: int, with_it: Plan) -> Iterator[Caution]:
    """What a person must weigh before choosing it; ``with_it`` is the plan that uses it."""
    named = plan.request.components[index].substance
    said = {problem.text for problem in plan.problems}
    for problem in with_it.problems:
        if problem.code in _OF_THE_BOTTLE and problem.text not in said:
            yield Caution(problem.code, problem.text)
    if one.lot.kind == "solution":
        if one.kind == "leftover":
            yield _LOOK_FIRST
        if one.lot.relative_uncertainty_percent is None:
            yield _NO_UNCERTAINTY
        return
    if one.inside.key != named.key:
        yield from (each for each in cautions_for(one.inside) if each.code in _FORM_CODES)
        if "loses-water" in one.inside.traits:
            yield _LOSES_WATER
    if one.lot.kind == "solid" and one.lot.assay_percent is None:
        yield _NO_ASSAY
    elif one.kind == "grade":
        yield from _grade_caution(plan, shelf, index, one.lot)


def _grade_caution(plan: Plan, shelf: Shelf, index: int, lot: ShelfLot) -> Iterator[Caution]:
    """What a lower grade means for the figure, and that a person decides."""
    ids = [draw.lot_id for draw in plan.draws if draw.component == index]
    meant = next((one for one in shelf.lots if one.id in ids), None)
    assay, spread = lot.assay_percent or 100.0, lot.assay_tolerance_percent or 0.0
    grade = lot.grade or "no grade stated"
    decide = "Somebody must decide whether it is good enough."
    if meant is None or meant.grade != lot.grade or (meant.assay_percent or 100.0) > assay:
        other = max(100.0 - assay + spread, 0.0)
        where = (
            f", where {meant.grade or 'no grade stated'}, {meant.assay_percent or 100.0:g} % was planned"
            if meant
            else ""
        )
        yield Caution(
            "other_grade",
            f"{grade[:1].upper()}{grade[1:]}, assay {assay:g} %{where}: up to {other:.2g} % of it"
            f" is something else, and what that is does not stand here. {decide}",
        )


def _strength(lot: ShelfLot, inside: Substance) -> str:
    percent = lot.assay_percent if lot.kind == "solid" else lot.mass_percent or inside.assay_percent
    return "" if percent is None else f"{percent:g} %"


def _history(lot: ShelfLot) -> str:
    """Who made it, how long it is good and how well it is known, as far as somebody knows."""
    made = " ".join(
        word
        for word in (
            f"by {lot.prepared_by}" if lot.prepared_by else "",
            f"on {sentences.day(lot.made_on)}" if lot.made_on else "",
        )
        if word
    )
    facts = (
        f"made {made}" if lot.is_prepared and made else "",
        f"good until {sentences.day(lot.expires)}" if lot.expires else "",
        f"± {lot.relative_uncertainty_percent:g} % (k = 2)"
        if lot.relative_uncertainty_percent is not None
        else "",
    )
    known = ", ".join(fact for fact in facts if fact)
    return f"; {known}" if known else ""
