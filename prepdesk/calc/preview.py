"""The service's front door: contract JSON in, contract JSON out, nothing else touched."""

from typing import Any

from prepdesk.calc.answer import answer_of
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError, RequestRefused
from prepdesk.calc.model import Shelf
from prepdesk.calc.planner import make_plan, what_would_serve
from prepdesk.calc.request import read_request


def preview(request: object, *, catalogue: Catalogue, shelf: Shelf) -> dict[str, Any]:
    """Compute one preparation.

    Args:
        request: decoded JSON of the preview contract.
        catalogue: the substances that are known.
        shelf: bottles and apparatus as they are now.

    Returns:
        The contract's answer; ``feasible`` is false where a person must decide.

    Raises:
        RequestRefused: the request can't be read; carries every error with its field.

    >>> from prepdesk.calc.catalogue import standard_catalogue
    >>> order = {
    ...     "components": [{"substance": "NaCl", "target": {"value": "2.00", "unit": "mol/L"}}],
    ...     "volume": {"value": "500", "unit": "mL"},
    ...     "equipment": "standard",
    ... }
    >>> preview(order, catalogue=standard_catalogue(), shelf=Shelf())["steps"][0]["quantity"]
    {'value': '58.44', 'unit': 'g'}
    """
    try:
        plan = make_plan(read_request(request, catalogue, shelf), catalogue, shelf)
        return answer_of(plan, what_would_serve(plan, catalogue, shelf))
    except RequestRefused as refused:
        raise RequestRefused(tuple(_printable(error) for error in refused.errors)) from None
    except InputError as error:
        raise RequestRefused((_printable(error),)) from None


def _printable(error: InputError) -> InputError:
    """The same error without half characters, which JSON may carry in and no encoding carries out."""
    text = error.text.encode("utf-8", "replace").decode("utf-8")
    return InputError(error.field, error.code, text)
