"""What the shelf lacks, and what else on it would serve, with the amounts worked out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from prepdesk.calc import sentences
from prepdesk.calc.model import Amount, Shortage
from prepdesk.calc.planner.account import rounded_up, significant
from prepdesk.calc.planner.draft import Draft
from prepdesk.calc.planner.from_shelf import usable
from prepdesk.calc.planner.refusal import stop, warn
from prepdesk.calc.planner.supplies import Choice
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.wanted import Want


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a route takes of one component: ``amount`` in the bottle's unit, for ``moles`` in the batch."""

    supply: Supply
    amount: float
    moles: float


def say_not_on_shelf(draft: Draft, want: Want, choice: Choice) -> None:
    """No bottle of it stands on the shelf: a stop for the shelf, an assumption for a standard set."""
    supply = choice.supplies[0]
    others = sorted({one.substance.name for one in choice.others})
    offered = f" There is {sentences.joined(others)}; choose it if it may serve." if others else ""
    if draft.request.equipment == "standard":
        draft.note(
            warn(
                "assumed_source",
                f"No bottle was named; {supply.label} is assumed, as the catalogue lists it.",
            )
        )
    else:
        draft.note(
            stop(
                "not_on_shelf",
                f"{want.name} is not on the shelf. The amounts below are for {supply.label}.{offered}",
            )
        )


def say_shortages(draft: Draft, choices: Sequence[Choice], drawn: Sequence[Drawn]) -> None:
    """Compare what is drawn with what is free in all bottles that may serve, and offer what else would."""
    taken: dict[str, float] = {}
    for want, choice, one in zip(draft.wants, choices, drawn, strict=True):
        if one.supply.bottles:
            # Together they hold it; only a substance that is listed twice can draw on them once more.
            _say_drawn_twice(draft, want, choice, one, taken)
            continue
        if one.supply.lot is None:
            if want.component.source is None and draft.request.equipment == "shelf":
                needed = rounded_up(_amount(one.supply, one.amount))
                _note_short(draft, want, choice, one, (needed, replace(needed, value=0.0), needed))
            continue
        before = taken.get(one.supply.lot.id, 0.0)
        taken[one.supply.lot.id] = before + one.amount
        if one.amount <= one.supply.lot.free - before:
            continue
        amounts, codes = _lacking(want, choice, one, before)
        _note_short(draft, want, choice, one, amounts)
        needed, free, missing = amounts
        lots = f"lot {codes[0]}" if len(codes) == 1 else f"lots {sentences.joined(codes)} together"
        draft.note(
            stop(
                "out_of_stock",
                f"{one.supply.substance.name}: {sentences.shown(needed)} are needed and"
                f" {free.value:g} {needed.unit} of {lots} are free;"
                f" {sentences.shown(missing)} are missing.",
            )
        )


def _say_drawn_twice(draft: Draft, want: Want, choice: Choice, one: Drawn, taken: dict[str, float]) -> None:
    free = {supply.lot.id: supply.lot.free for supply in one.supply.bottles if supply.lot}
    over = 0.0
    for draw in draft.draws:
        if draw.component == want.index and draw.lot_id in free:
            before = taken.get(draw.lot_id, 0.0)
            taken[draw.lot_id] = before + draw.amount.value
            if taken[draw.lot_id] > free[draw.lot_id]:
                over += min(taken[draw.lot_id] - free[draw.lot_id], draw.amount.value)
    if not over:
        return
    needed = rounded_up(_amount(one.supply, one.amount))
    missing = rounded_up(replace(needed, value=over))
    _note_short(
        draft, want, choice, one, (needed, replace(needed, value=max(needed.value - over, 0.0)), missing)
    )
    draft.note(
        stop(
            "out_of_stock",
            f"{one.supply.substance.name} is listed twice, and its bottles are used up by then:"
            f" {sentences.shown(missing)} are missing.",
        )
    )


def _lacking(
    want: Want, choice: Choice, one: Drawn, before: float
) -> tuple[tuple[Amount, Amount, Amount], list[str]]:
    """Needed, free and missing over all bottles that could be taken together, and their codes.

    Bottles differ in strength, so what is missing is reckoned by the solute they hold, as an amount of the
    bottle that was planned with; needed is then what is free and what is missing.
    """
    lots = [one.supply]
    if want.component.source is None:
        lots = usable(choice.supplies, one.supply, want)
    there = sum(supply.free for supply in lots)
    holds = sum(supply.free * supply.mol_per_drawn for supply in lots) / one.supply.mol_per_drawn
    if holds >= one.amount + before:
        # Together they hold it, and are too little known together: then this one must be full.
        lots, there, holds = [one.supply], one.supply.free, one.supply.free
    unit, decimals = one.supply.drawn_unit, _amount(one.supply, one.amount).decimals
    missing = rounded_up(Amount(one.amount + before - holds, unit, decimals))
    free = Amount(max(there - before, 0.0), unit, decimals)
    needed = rounded_up(Amount(free.value + missing.value, unit, decimals))
    if there == holds:
        needed = rounded_up(_amount(one.supply, one.amount))
    codes = [supply.lot.code for supply in lots if supply.lot]
    return (needed, free, missing), codes


def _note_short(
    draft: Draft, want: Want, choice: Choice, one: Drawn, amounts: tuple[Amount, Amount, Amount]
) -> None:
    needed, free, missing = amounts
    draft.shortages.append(
        Shortage(
            component=want.index,
            substance=want.name,
            needed=needed,
            free=free,
            missing=missing,
            alternatives=tuple(_alternatives(choice, one)),
        )
    )


def _amount(supply: Supply, amount: float) -> Amount:
    return significant(amount, 4, supply.drawn_unit)


def _alternatives(choice: Choice, one: Drawn) -> Iterator[str]:
    """Bottles of another form that would do."""
    for other in choice.others:
        amount = one.moles / other.mol_per_drawn
        lot = other.lot
        if lot is None or amount > lot.free:
            continue
        verb = "Weigh" if other.kind == "solid" else "Dilute"
        instead = sentences.shown(_amount(one.supply, one.amount))
        yield (
            f"{verb} {sentences.shown(_amount(other, amount))} of {other.label} (lot {lot.code},"
            f" {lot.free:g} {other.drawn_unit} free) instead of {instead} of {one.supply.label}."
        )
