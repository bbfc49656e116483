"""What a second person must look at before the work is closed, and at which steps one stands by.

Pure: read off a plan, what is known of its bottles, and the department's rules. The rules in words stand in
:data:`requests_app.rules.SWITCHES`. What is said of standing by is the usual caution of a teaching laboratory
and stands in for no local rule.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final, Protocol

from requests_app.rules import STANDARD_BY_DIGITS_PERCENT, STANDARD_STATED_PERCENT

RESTRICTED: Final = "restricted"
STRONG: Final = "strong"
STANDARD: Final = "standard"
# Solvent that was added after making up, with its amount: the one figure that no step records.
ADDED: Final = "added"

_ACID: Final = "acid_into_water"
_BURNS: Final = "corrosive"
_STRONG_BASES: Final = "base"
_INTO_WATER: Final = frozenset({"mix", "dissolve"})
_HEATS: Final = frozenset({_ACID, "heat_of_solution"})


class Checks(Protocol):
    """The switches of the department that ask for a second person."""

    check_restricted: bool
    check_strong_acids: bool
    check_standards: bool


@dataclass(frozen=True, slots=True)
class Bottle:
    """What is known of a bottle that a plan draws from.

    Attributes:
        lot_id: the inventory's key.
        name, code: of what is in it, and its own.
        restricted: marked so by the department.
        hazards: caution codes of the catalogue; empty where nobody has reviewed it.
        groups: storage groups it belongs to.
        is_reagent: the solid or the liquid itself, and no solution or weak liquid.
    """

    lot_id: int
    name: str
    code: str
    restricted: bool = False
    hazards: frozenset[str] = frozenset()
    groups: frozenset[str] = frozenset()
    is_reagent: bool = True

    @property
    def is_strong(self) -> bool:
        """Whether it is a concentrated acid or a strong base, by the stated rule.

        >>> Bottle(1, "nitric acid", "L1", hazards=frozenset({"acid_into_water"})).is_strong
        True
        >>> Bottle(1, "nitric acid", "L1", hazards=frozenset({"acid_into_water"}), is_reagent=False).is_strong
        False
        """
        is_base = _STRONG_BASES in self.groups and _BURNS in self.hazards
        return self.is_reagent and (_ACID in self.hazards or is_base)


@dataclass(frozen=True, slots=True)
class Point:
    """One reason why a second person looks: a stable word and a sentence."""

    code: str
    text: str


def points_of(
    plan: Mapping[str, Any], checks: Checks, bottles: Iterable[Bottle], restricted: Iterable[str] = ()
) -> tuple[Point, ...]:
    """Why a second person must look at what is read by this plan, in the order of the rules.

    Args:
        plan: frozen, of the sheet.
        checks: which rules hold.
        bottles: those it draws from.
        restricted: names of ordered substances that are marked so.
    """
    bottles = tuple(bottles)
    found = []
    if checks.check_restricted:
        names = dict.fromkeys([*(one.name for one in bottles if one.restricted), *restricted])
        found += [Point(RESTRICTED, f"{_capital(name)} is restricted.") for name in names]
    if checks.check_strong_acids:
        names = dict.fromkeys(one.name for one in bottles if one.is_strong)
        found += [Point(STRONG, f"{_capital(name)} is taken from the reagent itself.") for name in names]
    if checks.check_standards:
        found += _exact(plan)
    return tuple(found)


def _exact(plan: Mapping[str, Any]) -> list[Point]:
    allowed = Decimal(str(plan["tolerance_percent"]))
    if plan["tolerance_basis"] == "stated":
        if allowed > STANDARD_STATED_PERCENT:
            return []
        return [Point(STANDARD, f"It is ordered to {allowed.normalize():f} %, as a standard is.")]
    if allowed > STANDARD_BY_DIGITS_PERCENT:
        return []
    return [Point(STANDARD, "It is ordered to four figures, as a standard is.")]


def steps_not_alone(plan: Mapping[str, Any], bottles: Iterable[Bottle]) -> frozenset[int]:
    """The steps at which a concentrated acid or strong base is taken or put into water, by number."""
    strong = {one.lot_id for one in bottles if one.is_strong}
    components = {draw["component"] for draw in plan["draws"] if _lot_of(draw) in strong}
    return frozenset(step["number"] for step in plan["steps"] if _is_risky(step, strong, components))


def _is_risky(step: Mapping[str, Any], strong: set[int], components: set[int]) -> bool:
    if _lot_of(step) in strong:
        return True
    if not components or step["action"] not in _INTO_WATER:
        return False
    heats = any(caution["code"] in _HEATS for caution in step.get("cautions") or ())
    return heats or step.get("component") in components


def _lot_of(row: Mapping[str, Any]) -> int | None:
    lot = row.get("lot")
    return int(lot["id"]) if lot else None


def covers(check: Any, *, sheet_id: int, newest_record_id: int | None) -> bool:
    """Whether a check is about exactly the present readings: no step done since, and no newer sheet."""
    return bool(check.sheet_id == sheet_id and check.up_to_id == newest_record_id)


def added_in(check: Any) -> str:
    """The solvent added after making up that a check is about, as a decimal; empty where none was."""
    return next((str(point["value"]) for point in check.points if point["code"] == ADDED), "")


def makers_of(holder_id: int | None, recorders: Iterable[int], asked_by_id: int | None = None) -> set[int]:
    """Who took part in the work and so can't be its second person."""
    return {pk for pk in (holder_id, asked_by_id, *recorders) if pk is not None}


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
