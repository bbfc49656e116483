"""Where the tolerance goes: the rows of the budget with the length of each bar.

Bars show the expanded part of one input (k = 2) on one scale with the allowed total, so that a bar
that nears the mark is the input to improve. Parts add up by their squares, not end to end.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from math import sqrt
from typing import Any

FULL_SCALE = 100.0
_HEADROOM = 1.08
_COVERAGE = 2


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One input: its words, its expanded part [%], its share [%] and its bar [0 to 100]."""

    input: str
    source: str
    expanded: str
    share: str
    bar: float


@dataclass(frozen=True, slots=True)
class BudgetChart:
    """The budget of one component, largest part first."""

    substance: str
    rows: tuple[BudgetRow, ...]
    total: str
    total_bar: float
    allowed: str
    allowed_bar: float
    inside: bool


def percent_words(value: float) -> str:
    """Two significant digits, never an exponent: 0.25, 1.2, 13, 0.0031."""
    if value <= 0:
        return "0"
    decimals = 1
    while value * 10**decimals < 10 and decimals < 6:
        decimals += 1
    # Half up from the digits as they stand, as everywhere else: 0.175 is 0.18 on every line of the page.
    place = Decimal(1).scaleb(0 if value >= 10 else -decimals)
    return f"{Decimal(repr(value)).quantize(place, ROUND_HALF_UP):f}"


def _allowed(plan: Mapping[str, Any], component: int) -> float:
    """What one component may spend [%]: its own digits say so, where no tolerance was stated."""
    settled = (plan.get("settling") or {}).get("components") or []
    if component < len(settled):
        return float(settled[component]["tolerance_percent"])
    return float(plan.get("tolerance_percent") or 0)


def budget_charts(plan: Mapping[str, Any]) -> list[BudgetChart]:
    """One chart per component of a plan that has a budget."""
    concentrations = (plan.get("result") or {}).get("concentrations") or []
    groups: dict[int, list[Mapping[str, Any]]] = {}
    for row in plan.get("budget") or []:
        groups.setdefault(int(row.get("component") or 0), []).append(row)
    charts = []
    for component, rows in sorted(groups.items()):
        parts = [_COVERAGE * float(row["relative_standard_uncertainty_percent"]) for row in rows]
        total = sqrt(sum(part * part for part in parts))
        if component < len(concentrations):
            total = float(concentrations[component].get("expanded_uncertainty_percent") or total)
        allowed = _allowed(plan, component)
        top = max([allowed, total, *parts]) * _HEADROOM or 1.0
        drawn = sorted(zip(parts, rows, strict=True), key=lambda pair: -pair[0])
        charts.append(
            BudgetChart(
                substance=str(rows[0].get("substance", "")),
                rows=tuple(
                    BudgetRow(
                        input=str(row["input"]),
                        source=str(row.get("source", "")),
                        expanded=percent_words(part),
                        share=percent_words(float(row.get("share_percent") or 0)),
                        bar=round(part / top * FULL_SCALE, 2),
                    )
                    for part, row in drawn
                ),
                total=percent_words(total),
                total_bar=round(total / top * FULL_SCALE, 2),
                allowed=percent_words(allowed),
                allowed_bar=round(allowed / top * FULL_SCALE, 2),
                inside=total <= allowed,
            )
        )
    return charts
