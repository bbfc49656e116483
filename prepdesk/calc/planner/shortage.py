"""What the shelf lacks, and what else on it would serve, with the amounts worked out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from prepdesk.calc import sentences
from prepdesk.calc.model import Amount, Shortage
from prepdesk.calc.planner.account import rounded_up, significant
from prepdesk.calc.planner.draft import Draft
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
    """Compare what is drawn with what is free, and offer what else would serve."""
    taken: dict[str, float] = {}
    for want, choice, one in zip(draft.wants, choices, drawn, strict=True):
        supply = one.supply
        needed = rounded_up(_amount(supply, one.amount))
        if supply.lot is None:
            if want.component.source is None and draft.request.equipment == "shelf":
                zero = Amount(0.0, needed.unit, needed.decimals)
                draft.shortages.append(
                    Shortage(
                        component=want.index,
                        substance=want.name,
                        needed=needed,
                        free=zero,
                        missing=needed,
                        alternatives=tuple(_alternatives(choice, one)),
                    )
                )
            continue
        before = taken.get(supply.lot.id, 0.0)
        taken[supply.lot.id] = before + one.amount
        free = max(supply.lot.free - before, 0.0)
        if one.amount <= free:
            continue
        missing = rounded_up(Amount(one.amount - free, needed.unit, needed.decimals))
        draft.shortages.append(
            Shortage(
                component=want.index,
                substance=want.name,
                needed=needed,
                free=Amount(free, needed.unit, needed.decimals),
                missing=missing,
                alternatives=tuple(_alternatives(choice, one)),
            )
        )
        draft.note(
            stop(
                "out_of_stock",
                f"{supply.substance.name}: {sentences.shown(needed)} are needed and"
                f" {free:g} {needed.unit} of lot {supply.lot.code} are free;"
                f" {sentences.shown(missing)} are missing.",
            )
        )


def _amount(supply: Supply, amount: float) -> Amount:
    return significant(amount, 4, supply.drawn_unit)


def _alternatives(choice: Choice, one: Drawn) -> Iterator[str]:
    """Bottles that would do alone, then bottles of the same thing that would do together."""
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
    together = [supply for supply in choice.supplies if supply.lot and supply.kind == one.supply.kind]
    if len(together) > 1:
        left, parts = one.moles, []
        for supply in together:
            assert supply.lot is not None
            part = min(left / supply.mol_per_drawn, supply.lot.free)
            left -= part * supply.mol_per_drawn
            parts.append(f"{sentences.shown(_amount(supply, part))} of lot {supply.lot.code}")
            if left <= 1e-12 * one.moles:
                yield f"Take {sentences.joined(parts)}: together they hold enough."
                break
