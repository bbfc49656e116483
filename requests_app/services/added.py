"""Solvent that was added after making up: the one figure of a preparation that no step records."""

from prepdesk.calc.errors import InputError
from prepdesk.calc.settle import added_unit, most_added
from prepdesk.calc.typed import TypedNumber, parse_positive
from prepdesk.core.errors import InvalidInput
from requests_app.models import Sheet


def read_added(sheet: Sheet, text: str) -> TypedNumber | None:
    """The solvent added after making up, None for an empty text.

    Raises:
        InvalidInput: field ``added``: no amount, or more than :func:`prepdesk.calc.settle.most_added`.
    """
    if not text.strip():
        return None
    try:
        added = parse_positive(text)
    except InputError as error:
        raise InvalidInput({"added": error.text}) from error
    most = most_added(sheet.plan)
    if added.value > most:
        unit = added_unit(sheet.plan)
        raise InvalidInput(
            {"added": f"At most {most:g} {unit} are added; with more it is a dilution, to be ordered as one."}
        )
    return added
