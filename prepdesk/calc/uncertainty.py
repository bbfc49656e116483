"""Uncertainty by the GUM, for a product of measured factors.

A concentration is a product and quotient of a few measured things, so the relative variances add.
Each thing is described by the limits somebody vouches for (a glassware standard, a balance's display,
a certificate), turned into a standard uncertainty by the distribution those limits mean, and named, so
that the sheet can say which input spends the tolerance and by which distribution it was counted.

Source of the whole method: JCGM 100:2008 (GUM); EURACHEM/CITAC Guide CG 4 (QUAM), examples A1 to A3.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from prepdesk.calc.model import Contribution

COVERAGE: Final = 2.0  # k of every expanded uncertainty, about 95 %
_SQRT3: Final = math.sqrt(3.0)
_SQRT6: Final = math.sqrt(6.0)


@dataclass(frozen=True, slots=True)
class Input:
    """One input of the uncertainty.

    Attributes:
        name: what it is, in words.
        standard: standard uncertainty (k = 1) in the unit of the measured quantity [g or mL], or
            relative [1] after :func:`relative_to`.
        distribution: ``normal``, ``rectangular`` or ``triangular``.
        source: the standard or reason behind the figure.
        systematic: the same error comes back when the apparatus is used again, so repeated portions
            add it up instead of averaging it.
        degrees_of_freedom: behind the figure [1]; infinite where limits are taken as certain.
        shared: the same error stands in every bottle of the substance (a molar mass, a tabulated density,
            an assumption), so that taking from several bottles does not average it.
    """

    name: str
    standard: float
    distribution: str
    source: str
    systematic: bool = True
    degrees_of_freedom: float = math.inf
    shared: bool = False


def rectangular(half_width: float) -> float:
    """Standard uncertainty of limits within which every value is as likely as another.

    Args:
        half_width: half the distance between the limits [any unit], 0 or more.

    Returns:
        Half-width divided by the square root of three [the same unit].

    Source: GUM 4.3.7.

    >>> round(rectangular(0.0001), 6)
    5.8e-05
    """
    return half_width / _SQRT3


def triangular(half_width: float) -> float:
    """Standard uncertainty of limits within which the middle is the likeliest value.

    Args:
        half_width: half the distance between the limits [any unit], 0 or more.

    Returns:
        Half-width divided by the square root of six [the same unit].

    Source: GUM 4.3.9; QUAM A1 uses it for the limit of error of a one-mark flask.

    >>> round(triangular(0.1), 6)
    0.040825
    """
    return half_width / _SQRT6


def root_sum_square(parts: Iterable[float]) -> float:
    """Combine independent standard uncertainties [one unit] into one.

    Source: GUM 5.1.2.

    >>> root_sum_square([3.0, 4.0])
    5.0
    """
    return math.sqrt(sum(part * part for part in parts))


def repeated(inputs: Sequence[Input], times: int) -> tuple[Input, ...]:
    """Inputs of the sum of ``times`` equal portions taken with the same apparatus [same unit].

    Systematic errors come back each time and add up; random ones partly cancel.

    Source: GUM 5.2.2 (full correlation) and 5.1.2 (none).

    >>> mark = Input("mark", 0.04, "triangular", "")
    >>> glass = (mark, Input("filling", 0.02, "normal", "", systematic=False))
    >>> [i.standard for i in repeated(glass, 4)]
    [0.16, 0.04]
    """
    if times == 1:
        return tuple(inputs)
    return tuple(
        replace(one, standard=one.standard * (times if one.systematic else math.sqrt(times)))
        for one in inputs
    )


def relative_to(inputs: Sequence[Input], amount: float) -> tuple[Input, ...]:
    """The same inputs relative to the measured amount [1].

    >>> relative_to((Input("mark", 0.04, "triangular", ""),), 100.0)[0].standard
    0.0004
    """
    return tuple(replace(one, standard=one.standard / amount) for one in inputs)


def expanded_percent(inputs: Iterable[Input]) -> float:
    """Expanded uncertainty (k = 2) of a product of factors [%], from relative inputs.

    Source: GUM 5.1.6 and 6.2.

    >>> expanded_percent([Input("mass", 0.003, "normal", ""), Input("volume", 0.004, "normal", "")])
    1.0
    """
    return COVERAGE * 100.0 * root_sum_square(one.standard for one in inputs)


def budget(inputs: Sequence[Input]) -> tuple[Contribution, ...]:
    """The inputs as rows of a budget, largest first, with their part of the variance [%].

    >>> inputs = [Input("a", 0.001, "normal", ""), Input("b", 0.002, "normal", "")]
    >>> [round(row.share_percent) for row in budget(inputs)]
    [80, 20]
    """
    total = sum(one.standard**2 for one in inputs)
    rows = [
        Contribution(
            input=one.name,
            relative_standard_uncertainty_percent=100.0 * one.standard,
            share_percent=100.0 * one.standard**2 / total if total else 0.0,
            distribution=one.distribution,
            source=one.source,
            degrees_of_freedom=one.degrees_of_freedom,
        )
        for one in inputs
        if one.standard > 0.0
    ]
    return tuple(sorted(rows, key=lambda row: -row.share_percent))
