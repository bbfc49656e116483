"""Warnings for the bench: stable codes and the sentences shown for them.

They are the usual ones of a teaching laboratory and stand in for nobody: each sheet also says that
local rules, the safety data sheet and the safety officer decide. A substance that nobody has
reviewed says so; silence is never shown as harmlessness.
"""

from functools import cache
from typing import Final

from prepdesk.calc.model import Caution, Substance
from prepdesk.calc.tables import rows

UNREVIEWED: Final = "not_reviewed"

# What a trait of a substance asks for at the bench, whatever is done with it.
_BY_TRAIT: Final = {
    "takes-up-water": "takes_up_water",
    "takes-up-carbon-dioxide": "takes_up_carbon_dioxide",
    "light-sensitive": "light_sensitive",
    "attacks-glass": "attacks_glass",
    "flammable": "flammable_no_flame",
    "dissolves-hot": "heat_of_solution",
    "coarse": "grind_coarse",
}


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


def cautions_for(substance: Substance) -> tuple[Caution, ...]:
    """Everything a person must know before touching a substance.

    Args:
        substance: from the catalogue, or a department's own record.

    Returns:
        The cautions of its hazards and traits in the order they are shown. Without any reviewed hazard
        ``not_reviewed`` is among them: nobody has said that it is harmless.

    Raises:
        KeyError: a record names a hazard that has no sentence.

    >>> [each.code for each in cautions_for(Substance(key="x", name="x", formula="NaCl"))]
    ['not_reviewed']
    """
    codes = {code for trait in substance.traits if (code := _BY_TRAIT.get(trait))}
    codes |= set(substance.hazards) or {UNREVIEWED}
    for code in codes:
        caution(code)
    return tuple(caution(code) for code in caution_codes() if code in codes)


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
