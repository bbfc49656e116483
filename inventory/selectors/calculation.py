"""What the calculation service is told: which substances there are, and what stands on the shelf."""

from collections.abc import Container, Iterable
from dataclasses import replace
from datetime import date
from functools import lru_cache
from typing import cast

from django.db.models import Q, Sum
from django.utils import timezone

from inventory import states
from inventory.amounts import Unit, from_base
from inventory.models import ApparatusItem, Hold, Lot, Substance
from inventory.selectors.bookings import Window, free_in
from prepdesk.calc import model
from prepdesk.calc.apparatus import tolerance_ml, usual_balances
from prepdesk.calc.catalogue import Catalogue, standard_catalogue
from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import parse_number


# --- substances -------------------------------------------------------------------------------
def calc_catalogue() -> Catalogue:
    """The standard catalogue and the department's own substances, for the calculation service."""
    own = Substance.objects.exclude(record={}).order_by("key")
    return _extended(tuple(_substance_of(row) for row in own))


@lru_cache(maxsize=4)
def _extended(own: tuple[model.Substance, ...]) -> Catalogue:
    # Its indexes are built at first use, so the same catalogue is kept for the same own substances.
    return standard_catalogue().with_added(own) if own else standard_catalogue()


def _substance_of(row: Substance) -> model.Substance:
    record = row.record
    return model.Substance(
        key=row.key,
        name=row.name,
        formula=row.formula,
        cas=row.cas,
        family=row.family or row.key,
        form=row.form,
        solute_formula=record.get("solute_formula", ""),
        state=record.get("state", "solid"),
        synonyms=tuple(row.synonyms),
        grade=row.grade,
        assay_percent=record.get("assay_percent"),
        density_g_per_ml=record.get("density_g_per_ml"),
        density_source=record.get("density_source", ""),
        hazards=tuple(record.get("hazards", ())),
        traits=tuple(record.get("traits", ())),
        storage=record.get("storage", ""),
        source=record.get("source", ""),
    )


# --- the shelf --------------------------------------------------------------------------------
def calc_shelf(
    *,
    on: date | None = None,
    needed_until: date | None = None,
    as_if_released: Iterable[int] = (),
    window: Window | None = None,
    as_if_released_bookings: Iterable[int] = (),
    without: Container[int] = (),
    whatever_its_state: bool = False,
) -> model.Shelf:
    """What a plan may use: bottles that can be drawn from on the day of use, and apparatus in service.

    Left out are lots that are quarantined, recalled, empty or wholly held, that expire before the day
    of use, things counted in pieces, and solutions of more than one solute, which are no stock of any one
    of them; and apparatus that is out of service, past its calibration on the day of use, or booked in the
    window.

    Args:
        on: day of use; today where it isn't said.
        needed_until: a later day to which the bottles must last.
        as_if_released: keys of holds that the plan would give back, so they count as free.
        window: the hours in which the apparatus is used; without it bookings don't matter.
        as_if_released_bookings: keys of bookings that the plan would give back.
        without: keys of apparatus that the plan must do without.
        whatever_its_state: apparatus out of service or past its calibration too, to see whether it
            would have served.
    """
    day = max(filter(None, (on or timezone.localdate(), needed_until)))
    given_back = dict(
        Hold.objects.filter(pk__in=set(as_if_released), state=states.ACTIVE)
        .order_by()
        .values_list("lot_id")
        .annotate(total=Sum("amount"))
    )
    lots = (
        Lot.objects.filter(Q(expires_on=None) | Q(expires_on__gte=day), state=states.AVAILABLE, on_hand__gt=0)
        .exclude(Q(unit=Unit.PIECE) | Q(kind=Lot.Kind.ITEM))
        .select_related("substance", "prepared_by")
        .order_by("pk")
    )
    shelf_lots = tuple(
        _shelf_lot(lot, free)
        for lot in lots
        if (free := lot.free + given_back.get(lot.pk, 0)) > 0 and _may_be_planned_with(lot)
    )
    items = [
        item
        for item in ApparatusItem.objects.filter(count__gt=0).order_by("pk")
        if item.pk not in without
        and (whatever_its_state or item.may_be_used_on(timezone.localdate(window.end) if window else day))
    ]
    return model.Shelf(lots=shelf_lots, apparatus=_free_apparatus(items, window, as_if_released_bookings))


def calc_lots(lots: Iterable[int]) -> tuple[model.ShelfLot, ...]:
    """Bottles as their labels are, whatever became of them and however little is free.

    Args:
        lots: keys.
    """
    found = Lot.objects.filter(pk__in=set(lots)).select_related("substance", "prepared_by").order_by("pk")
    return tuple(_shelf_lot(lot, lot.free) for lot in found)


def _may_be_planned_with(lot: Lot) -> bool:
    """Not a mixture, and not an unknown made here, of which nobody says what is in it."""
    unknown = lot.prepared_by_id is not None and not lot.composition
    return len(lot.composition) <= 1 and not unknown


def _free_apparatus(
    items: list[ApparatusItem], window: Window | None, given_back: Iterable[int]
) -> tuple[model.Apparatus, ...]:
    told = {item.pk: found for item in items if (found := calc_apparatus(item)) is not None}
    if window is None:
        return tuple(told.values())
    free = free_in(items, window, as_if_released=given_back)
    return tuple(replace(found, count=free[pk]) for pk, found in told.items() if free[pk] > 0)


def _shelf_lot(lot: Lot, free: int) -> model.ShelfLot:
    return model.ShelfLot(
        id=str(lot.pk),
        code=lot.code,
        substance_key=lot.substance.key,
        kind=cast(model.LotKind, lot.kind),
        free=float(from_base(free, lot.unit)),
        assay_percent=_float(lot.assay_percent),
        assay_tolerance_percent=_float(lot.assay_tolerance_percent),
        mass_percent=_float(lot.mass_percent),
        density_g_per_ml=_float(lot.density_g_per_ml),
        concentration_mol_per_l=_float(lot.concentration_mol_per_l),
        relative_uncertainty_percent=_float(lot.relative_uncertainty_percent),
        expires=lot.expires_on.isoformat() if lot.expires_on else "",
        grade=lot.grade or lot.substance.grade,
        opened=lot.opened_on is not None,
        is_prepared=bool(lot.composition),
        prepared_by=str(lot.prepared_by) if lot.prepared_by else "",
        made_on=lot.received_on.isoformat() if lot.received_on else "",
        label_mol_per_l=lot.concentration_mol_per_l,
    )


def calc_apparatus(item: ApparatusItem) -> model.Apparatus | None:
    """One item with its tolerance: its own, else the tabulated one of its class and standard.

    ``None`` for measuring ware whose limit of error nobody knows: no plan can be made with it.
    """
    kind = cast(model.ApparatusType, item.type)
    if item.type == ApparatusItem.Type.BALANCE:
        return _balance(item)
    nominal, division = _float(item.nominal_ml), _float(item.division_ml)
    tolerance = _float(item.tolerance_ml)
    if nominal is None:
        return None
    if tolerance is None and item.type not in APPROXIMATE:
        try:
            tolerance = tolerance_ml(kind, nominal, item.apparatus_class, item.standard, division)
        except InputError:
            return None
    return model.Apparatus(
        type=kind,
        nominal_ml=nominal,
        tolerance_ml=tolerance,
        division_ml=division,
        apparatus_class=item.apparatus_class,
        standard=item.standard,
        count=item.count,
        id=str(item.pk),
    )


# Their marks are approximations, so they need no tolerance to be used.
APPROXIMATE = frozenset(
    {ApparatusItem.Type.BEAKER.value, ApparatusItem.Type.CONICAL_FLASK.value, ApparatusItem.Type.CARBOY.value}
)


def _balance(item: ApparatusItem) -> model.Apparatus | None:
    readability = _float(item.readability_g)
    if readability is None:
        return None
    # What its papers leave open is taken from usual balances that read to the same digit.
    usual = next(
        (each for each in usual_balances() if each.readability_g == readability),
        model.Apparatus(type="balance"),
    )

    def own_or(text: str, typical: float | None) -> float | None:
        own = _float(text)
        return typical if own is None else own

    return model.Apparatus(
        type="balance",
        readability_g=readability,
        capacity_g=own_or(item.capacity_g, usual.capacity_g),
        repeatability_g=own_or(item.repeatability_g, usual.repeatability_g),
        linearity_g=own_or(item.linearity_g, usual.linearity_g),
        apparatus_class=item.apparatus_class,
        standard=item.standard or usual.standard,
        count=item.count,
        id=str(item.pk),
    )


def _float(text: str) -> float | None:
    return float(parse_number(text).value) if text else None
