"""Balances and glassware the department owns."""

from collections.abc import Mapping
from typing import Final, cast

from django.db import IntegrityError, transaction

from inventory.models import ApparatusItem, Place
from inventory.selectors import calc_apparatus
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Figure, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.apparatus import tolerance_ml
from prepdesk.calc.errors import InputError
from prepdesk.calc.model import ApparatusType
from prepdesk.calc.typed import parse_number

_SIZES: Final = {
    "nominal_ml": Figure("A size", "mL", "100000"),
    "tolerance_ml": Figure("A limit of error", "mL", "1000"),
    "division_ml": Figure("A division", "mL", "1000"),
    "readability_g": Figure("A readability", "g", "100"),
    "capacity_g": Figure("A capacity", "g", "1000000"),
    "repeatability_g": Figure("A repeatability", "g", "100"),
    "linearity_g": Figure("A linearity", "g", "100"),
}
_OF_BALANCES: Final = frozenset({"readability_g", "capacity_g", "repeatability_g", "linearity_g"})
CLASSES: Final = ("", "A", "AS", "B")
MOST: Final = 10_000


@atomic_with_retries
def add_apparatus(
    *,
    actor: User,
    type: str,  # noqa: A002 (the trade's word for it)
    nominal_ml: str = "",
    tolerance_ml: str = "",
    division_ml: str = "",
    readability_g: str = "",
    capacity_g: str = "",
    repeatability_g: str = "",
    linearity_g: str = "",
    apparatus_class: str = "",
    standard: str = "",
    count: int = 1,
    place: Place | None = None,
    note: str = "",
    idempotency_key: str | None = None,
) -> ApparatusItem:
    """Add so many of one kind of apparatus.

    Sizes are as typed [mL or g]. Without a limit of error the tabulated one of class and standard
    counts; where there is neither, measuring ware is refused, because nothing could be planned with it.

    Args:
        idempotency_key: the same key adds once; later calls return the first item.

    Raises:
        NotAllowed, InvalidInput.
    """
    policy.require(actor, "manage_apparatus")
    sizes = {
        "nominal_ml": nominal_ml,
        "tolerance_ml": tolerance_ml,
        "division_ml": division_ml,
        "readability_g": readability_g,
        "capacity_g": capacity_g,
        "repeatability_g": repeatability_g,
        "linearity_g": linearity_g,
    }
    words = {"standard": standard, "note": note}
    item = check_apparatus(kind=type, sizes=sizes, apparatus_class=apparatus_class, words=words, count=count)
    item.place = place
    item.idempotency_key = idempotency_key
    try:
        with transaction.atomic():
            item.save(force_insert=True)
    except IntegrityError:
        return ApparatusItem.objects.get(idempotency_key=idempotency_key)
    return item


def check_apparatus(
    *, kind: str, sizes: Mapping[str, str], apparatus_class: str, words: Mapping[str, str], count: int
) -> ApparatusItem:
    """Read what was typed about apparatus, without saving anything.

    Raises:
        InvalidInput: naming everything that is wrong, by field.
    """
    reader = Reader()
    if kind not in ApparatusItem.Type.values:
        reader.refuse("type", "Choose what it is.")
    kept = reader.figures(_SIZES, sizes)
    _check_sizes(reader, kind, kept)
    if apparatus_class not in CLASSES:
        reader.refuse("apparatus_class", "The class is the mark on the glass: A, AS or B.")
    if not 1 <= count <= MOST:
        reader.refuse("count", "Say how many there are, at least 1.")
    item = ApparatusItem(
        type=kind,
        apparatus_class=apparatus_class,
        standard=reader.words("standard", words.get("standard", ""), 60),
        count=count,
        note=reader.words("note", words.get("note", ""), 200),
        **kept,
    )
    reader.done()
    if calc_apparatus(item) is None:
        _ask_for_tolerance(reader, item)
    reader.done()
    return item


def _ask_for_tolerance(reader: Reader, item: ApparatusItem) -> None:
    """Measuring ware whose limit of error nobody knows can't be planned with, so it isn't taken."""
    why = "Type the limit of error that is marked on it"
    if item.standard:
        division = item.division_ml and float(parse_number(item.division_ml).value)
        try:
            tolerance_ml(
                cast(ApparatusType, item.type),
                float(parse_number(item.nominal_ml).value),
                item.apparatus_class,
                item.standard,
                division or None,
            )
        except InputError as error:
            why = f"{error.text} Else type the limit of error that is marked on it"
    reader.refuse(
        "tolerance_ml", f"{why}{'' if item.standard else ', or choose the standard its class mark means'}."
    )


def _check_sizes(reader: Reader, kind: str, sizes: dict[str, str]) -> None:
    balance = kind == ApparatusItem.Type.BALANCE
    if balance and not sizes["readability_g"]:
        reader.refuse("readability_g", "Say to what the balance reads, as on its plate: 0.01 g.")
    if not balance and not sizes["nominal_ml"]:
        reader.refuse("nominal_ml", "Say its size, as marked on it.")
    for field, text in sizes.items():
        if text and (field in _OF_BALANCES) is not balance:
            reader.refuse(
                field, f"{_SIZES[field].what} belongs to {'glassware' if balance else 'a balance'}."
            )


@atomic_with_retries
def set_in_service(*, actor: User, item: ApparatusItem, in_service: bool) -> ApparatusItem:
    """Take apparatus out of service, or put it back; plans use only what is in service.

    Raises:
        NotAllowed: for those who don't manage it.
    """
    policy.require(actor, "manage_apparatus")
    item.in_service = in_service
    item.save(update_fields=["in_service"])
    return item
