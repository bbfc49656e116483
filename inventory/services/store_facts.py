"""What the department decides about a substance in its store: group, shelf lives, when to order again."""

from collections.abc import Mapping
from typing import Any, Final

from inventory.amounts import Unit
from inventory.models import Substance
from inventory.services.typed import Reader
from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import parse_number

# Longer than anything is kept: such a number of days is a slip of the keyboard.
_MOST_DAYS: Final = 36_500


def unit_of_substance(substance: Substance, state: str) -> str:
    """What the stock of a substance is counted in: g of a solid, mL of a liquid."""
    return Unit.GRAM if (substance.record.get("state") or state) == "solid" else Unit.MILLILITRE


def check_store_facts(typed: Mapping[str, str], *, counted_in: str) -> dict[str, Any]:
    """Read what was typed, without saving anything; what isn't there is left as it is.

    Args:
        typed: ``storage_group``, ``shelf_life_closed_days``, ``shelf_life_opened_days``,
            ``reorder_below`` with ``reorder_unit``; an empty text counts as not there.
        counted_in: the unit of the substance's stock.

    Returns:
        The values by field.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    told = {name: text.strip() for name, text in typed.items() if text.strip()}
    kept: dict[str, Any] = {}
    if "storage_group" in told:
        kept["storage_group"] = reader.words("storage_group", told["storage_group"], 40)
    for name in ("shelf_life_closed_days", "shelf_life_opened_days"):
        if name in told:
            kept[name] = _days(reader, name, told[name])
    if "reorder_below" in told:
        kept["reorder_below"] = reader.amount(
            "reorder_below", told["reorder_below"], told.get("reorder_unit", ""), counted_in=counted_in
        )
    reader.done()
    return kept


def _days(reader: Reader, field: str, text: str) -> int | None:
    try:
        value = parse_number(text).value
    except InputError as error:
        reader.refuse(field, error.text)
        return None
    if value != value.to_integral_value() or not 1 <= value <= _MOST_DAYS:
        reader.refuse(
            field, f"A shelf life is a whole number of days from 1 to {_MOST_DAYS}; “{text}” was typed."
        )
        return None
    return int(value)
