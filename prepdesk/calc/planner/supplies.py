"""What a component can be taken from: a bottle on the shelf, or what the request describes."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.model import (
    LiquidSource,
    LotSource,
    PreparationRequest,
    Shelf,
    ShelfLot,
    SolidSource,
    SolutionSource,
)
from prepdesk.calc.planner.making import SupplyMaker
from prepdesk.calc.planner.refusal import Impossible, stop
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.request_sources import find_lot
from prepdesk.calc.uncertainty import Input


@dataclass(frozen=True, slots=True)
class Choice:
    """The sources a component may be taken from.

    Attributes:
        supplies: those the planner may use by itself, bottles that expire first in front.
        others: bottles with another form of the same solute, only ever offered.
        on_shelf: whether ``supplies`` are bottles (else described in the request, or assumed).
    """

    supplies: tuple[Supply, ...]
    others: tuple[Supply, ...]
    on_shelf: bool


def with_input(choice: Choice, extra: Input) -> Choice:
    """The same choice with one more relative input in every source."""
    return replace(
        choice,
        supplies=tuple(
            replace(
                one,
                by_g=(*one.by_g, extra) if one.by_g else (),
                by_ml=(*one.by_ml, extra) if one.by_ml else (),
            )
            for one in choice.supplies
        ),
    )


def choice_for(want: Want, request: PreparationRequest, catalogue: Catalogue, shelf: Shelf) -> Choice:
    """Find what one component can be taken from.

    Raises:
        Impossible: the described source lacks a density or a strength that nobody can look up.
    """
    source = want.component.source
    maker = SupplyMaker(want, request, catalogue)
    shelf_of = _Bottles(maker, shelf)
    if isinstance(source, SolidSource):
        return Choice((maker.solid(source),), (), on_shelf=False)
    if isinstance(source, LiquidSource):
        return Choice((maker.liquid(source),), (), on_shelf=False)
    if isinstance(source, SolutionSource):
        return Choice((maker.solution(source),), (), on_shelf=False)
    if isinstance(source, LotSource):
        lot = find_lot(shelf, source.lot_id)
        if lot is None:
            raise Impossible(stop("not_on_shelf", "The lot that was chosen is no longer on the shelf."))
        return Choice((maker.lot(lot),), tuple(shelf_of.others(besides=lot)), on_shelf=True)
    own = list(shelf_of.same())
    if not own and shelf_of.refusals:
        # There are bottles, and none can be planned with: the reason is worth more than "none there".
        raise shelf_of.refusals[0]
    if own:
        return Choice(tuple(own), tuple(shelf_of.others()), on_shelf=True)
    return Choice((maker.assumed(),), tuple(shelf_of.others()), on_shelf=False)


def first_used(lot: ShelfLot) -> tuple[str, bool, float, str]:
    """The order in which bottles are used: first expired, then opened before, then the smaller rest."""
    return (lot.expires or "9999", not lot.opened, lot.free, lot.id)


@dataclass(slots=True)
class _Bottles:
    """The shelf as one component sees it; keeps why a bottle could not be planned with."""

    maker: SupplyMaker
    shelf: Shelf
    refusals: list[Impossible] = field(default_factory=list)

    def same(self) -> Iterator[Supply]:
        """Bottles of exactly the substance asked for, those that expire first in front.

        A solution left over from another order is only ever offered: a person looks at it and chooses it.
        """
        key = self.maker.want.component.substance.key
        yield from self._bottles(
            lot for lot in self.shelf.lots if lot.substance_key == key and not lot.is_prepared
        )

    def others(self, besides: ShelfLot | None = None) -> Iterator[Supply]:
        """Bottles with another form of the same solute (or other bottles than the one chosen)."""
        if not self.shelf.lots:
            return
        named = self.maker.want.component.substance
        forms = {form.key for form in self.maker.catalogue.forms_of(named.family or named.key)}
        if besides is None:
            forms.discard(named.key)
        yield from self._bottles(
            lot for lot in self.shelf.lots if lot.substance_key in forms and lot is not besides
        )

    def _bottles(self, lots: Iterator[ShelfLot]) -> Iterator[Supply]:
        for lot in sorted(lots, key=first_used):
            if lot.free <= 0:
                continue
            try:
                supply = self.maker.lot(lot)
            except Impossible as refused:
                # A bottle without a strength or a density can't be planned with; others may.
                self.refusals.append(refused)
                continue
            yield supply
