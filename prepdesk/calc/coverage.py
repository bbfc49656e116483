"""How far a coverage factor of 2 can be trusted: degrees of freedom behind an uncertainty."""

import math
from collections.abc import Iterable
from typing import Final

# Student's t for 95.45 % by degrees of freedom. Source: GUM Table G.2.
_T_95_45: Final[tuple[tuple[float, float], ...]] = (
    (1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (6, 2.52), (7, 2.43), (8, 2.37), (9, 2.32),
    (10, 2.28), (11, 2.25), (12, 2.23), (13, 2.21), (14, 2.20), (15, 2.18), (16, 2.17), (17, 2.16),
    (18, 2.15), (19, 2.14), (20, 2.13), (25, 2.11), (30, 2.09), (35, 2.07), (40, 2.06), (45, 2.06),
    (50, 2.05), (100, 2.025), (math.inf, 2.0),
)  # fmt: skip


def effective_degrees_of_freedom(parts: Iterable[tuple[float, float]]) -> float:
    """Degrees of freedom of a combined standard uncertainty, by the Welch-Satterthwaite formula.

    Args:
        parts: standard uncertainty [one unit, or relative] and degrees of freedom of each independent
            input; infinite where limits are taken as certain.

    Returns:
        Effective degrees of freedom [1]; infinite when no input is limited.

    Source: GUM G.4.1. Its example, relative parts of 0.25, 0.57 and 0.82 % from 10, 5 and 15 repeats,
    gives 19.

    >>> round(effective_degrees_of_freedom([(0.25, 9), (0.57, 4), (0.82, 14)]))
    19
    """
    kept = [(part, freedom) for part, freedom in parts if part > 0.0]
    variance = sum(part * part for part, _ in kept)
    limited = sum(part**4 / freedom for part, freedom in kept if freedom < math.inf)
    return variance * variance / limited if limited else math.inf


def coverage_factor(degrees_of_freedom: float) -> float:
    """The factor that covers 95.45 % with so many degrees of freedom; 2 when they are unlimited.

    Args:
        degrees_of_freedom: 1 or more [1]; a broken number is rounded down, as the GUM advises.

    Returns:
        Student's t [1]; between rows of the table the row of fewer degrees, which is the safer one.

    Raises:
        ValueError: fewer than one degree of freedom.

    Source: GUM Table G.2.

    >>> coverage_factor(9.8), coverage_factor(float("inf"))
    (2.32, 2.0)
    """
    if not degrees_of_freedom >= 1.0:
        raise ValueError("A spread needs at least one degree of freedom.")
    return [factor for freedom, factor in _T_95_45 if freedom <= degrees_of_freedom][-1]
