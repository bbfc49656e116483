"""With how many digits a result is shown: as many as its uncertainty supports, and no more.

Only what people read is rounded here. What is stored, and what the next preparation is worked out from,
keeps all its digits: rounding twice would move a number that somebody weighs by.
"""

import math
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import Final

# Where nobody says how well a value is known (common practice: a volumetric figure has no more).
DIGITS_WITHOUT_UNCERTAINTY: Final = 4
_OF_UNCERTAINTY: Final = 2
_FLOAT_DIGITS: Final = 15


def with_uncertainty(value: Decimal, expanded: Decimal) -> tuple[str, str]:
    """A value and its expanded uncertainty, both to the second significant digit of the uncertainty.

    Args:
        value: the result [any unit].
        expanded: its expanded uncertainty [the same unit], more than 0.

    Returns:
        Value and uncertainty at the same last place, without an exponent.

    Source: JCGM 100:2008 (GUM) 7.2.6: at most two significant digits for an uncertainty, and the estimate
    rounded to be consistent with it. Halves of a value go to the even digit (ISO 80000-1, annex B).

    >>> with_uncertainty(Decimal("10.05762"), Decimal("0.027"))
    ('10.058', '0.027')
    """
    place = last_place(expanded)
    return _at(value, place), f"{expanded.quantize(Decimal(1).scaleb(place), ROUND_HALF_UP):f}"


def shown_figure(value: str | float, expanded_percent: str | float | None) -> str:
    """A measured figure at the digits its uncertainty supports, at four digits where none is known.

    It never gets digits that it hasn't: a label that says 2.00 goes on saying so.

    Args:
        value: as stored, or as calculated [any unit].
        expanded_percent: relative expanded uncertainty, k = 2 [%]; empty, ``None`` or 0 where nobody
            knows it.

    Returns:
        The figure without an exponent.

    Source: JCGM 100:2008 (GUM) 7.2.6; :func:`with_uncertainty`.

    >>> shown_figure("0.500946", "0.12"), shown_figure("2.00", "1"), shown_figure("0.500946", "")
    ('0.50095', '2.00', '0.5009')
    """
    exact = _decimal(value)
    percent = _decimal(expanded_percent or 0)
    if not exact:
        return f"{exact:f}"
    place = exact.adjusted() - DIGITS_WITHOUT_UNCERTAINTY + 1
    if percent > 0:
        place = last_place(abs(exact) * percent / 100)
    exponent = exact.as_tuple().exponent
    assert isinstance(exponent, int)
    return _at(exact, place) if exponent < place else f"{exact:f}"


def _decimal(value: str | float) -> Decimal:
    if isinstance(value, str):
        return Decimal(value.strip().replace(",", "."))
    return Decimal(f"{value:.{_FLOAT_DIGITS}g}")


def last_place(expanded: Decimal) -> int:
    """Power of ten [1] of the second digit of an uncertainty, once it is rounded to two.

    Args:
        expanded: more than 0 [any unit].

    Source: JCGM 100:2008 (GUM) 7.2.6.

    >>> last_place(Decimal("0.0994")), last_place(Decimal("0.0996"))
    (-3, -2)
    """
    place = expanded.adjusted() - _OF_UNCERTAINTY + 1
    return expanded.quantize(Decimal(1).scaleb(place), ROUND_HALF_UP).adjusted() - _OF_UNCERTAINTY + 1


def _at(value: Decimal, place: int) -> str:
    return f"{value.quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN):f}"


def settled_figure(value: float, expanded_percent: float) -> str:
    """A calculated result at the place of its uncertainty, with all the zeros that place asks for.

    Args:
        value: the result [any unit], more than 0.
        expanded_percent: relative expanded uncertainty, k = 2 [%]; 0 counts as a millionth.

    Source: JCGM 100:2008 (GUM) 7.2.6.

    >>> settled_figure(0.5, 0.12)
    '0.50000'
    """
    expanded = max(value * expanded_percent / 100.0, value * 1e-6)
    if value <= 0.0 or not math.isfinite(value):
        return f"{value:.0f}"
    return with_uncertainty(Decimal(repr(value)), Decimal(repr(expanded)))[0]
