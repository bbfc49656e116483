"""Warnings for the bench: stable codes and the sentences shown for them.

They are the usual ones of a teaching laboratory and stand in for nobody: each sheet also says that
local rules, the safety data sheet and the safety officer decide. A substance that nobody has
reviewed says so; silence is never shown as harmlessness.
"""

from functools import cache
from typing import Final

from prepdesk.calc.model import Caution
from prepdesk.calc.tables import rows

UNREVIEWED: Final = "not_reviewed"


def caution(code: str) -> Caution:
    """The caution with a code.

    Args:
        code: as ``acid_into_water``; see :func:`caution_codes`.

    Returns:
        The code with its sentence.

    Raises:
        KeyError: no such code: a mistake in a table or in the program, never in what a person typed.

    >>> caution("acid_into_water").code
    'acid_into_water'
    """
    return _cautions()[code]


def caution_codes() -> tuple[str, ...]:
    """Every code there is, in the order they are shown on a sheet.

    >>> caution_codes()[-1]
    'local_rules'
    """
    return tuple(_cautions())


@cache
def _cautions() -> dict[str, Caution]:
    return {
        row["code"]: Caution(code=row["code"], text=row["text"]) for row in rows("cautions.toml", "caution")
    }
