"""How exactly one apparatus of a bench list measures what is measured with it, and what would do better.

The limits, distributions and the room are those of the planner. Where more than one figure may hold (a size
that is graduated in two ways, marks that are approximations) the best and the worst are both kept, and
where nobody vouches for a figure there is none.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, Decimal
from typing import Final, cast

from prepdesk.calc.apparatus import Limit, limits, usual_balances
from prepdesk.calc.errors import InputError
from prepdesk.calc.exercise_fields import BY_EYE, MEASURING, ONE_MARK, Typed
from prepdesk.calc.measuring import Room, balance_inputs, ware_inputs
from prepdesk.calc.model import Apparatus, ApparatusType
from prepdesk.calc.sentences import a, tool
from prepdesk.calc.uncertainty import COVERAGE, Input, rectangular, relative_to, root_sum_square

# Marks of beakers and their kind: makers say from ± 5 % to ± 10 % (common practice, from memory).
MARKS: Final = (0.05, 0.10)
# A piston pipette is set down to a tenth of its size (common practice; ISO 8655-2 tests it there).
SMALLEST_SET: Final = 0.1
# What replaces what, the cheapest first (common practice); ware of the line's own kind comes before all.
_LADDER: Final = ("graduated cylinder", "graduated pipette", "one-mark pipette", "burette", "piston pipette")
_USUAL_BALANCE: Final = (
    "Repeatability and linearity are the usual ones of such a balance (common practice). Not counted: the"
    " buoyancy of air, about 0.1 % of a mass of water."
)


@dataclass(frozen=True, slots=True)
class Reach:
    """How exactly a line measures.

    Attributes:
        best: relative standard uncertainty [1] at best; 0 where nothing is known.
        worst: at worst [1]; None where nobody vouches for a bound.
        why: what it depends on where best and worst differ, and why nothing is known where it isn't.
        working: how it was worked out, in sentences.
    """

    best: float
    worst: float | None
    why: str = ""
    working: str = ""


@dataclass(frozen=True, slots=True)
class Instead:
    """Another apparatus for a line, with its relative standard uncertainty [1]."""

    apparatus: Apparatus
    standard: float

    @property
    def name(self) -> str:
        """What it is called, with its division where one size has several."""
        return named(self.apparatus)


UNKNOWN: Final = Reach(0.0, None)


def shown_percent(percent: float, wanted: float | None = None) -> str:
    """An uncertainty at two significant digits, rounded up, as is usual for what must not look better.

    Args:
        percent: relative expanded uncertainty [%], more than 0.
        wanted: what it is compared with [%]; one that is kept is never shown as if it weren't.

    >>> shown_percent(39.16), shown_percent(0.9996, 1.0), shown_percent(1.041, 1.05)
    ('40', '1.00', '1.05')
    """
    exact, digits = Decimal(repr(percent)), 2
    while True:
        rounded = exact.quantize(Decimal(1).scaleb(exact.adjusted() - digits + 1), ROUND_CEILING)
        if wanted is None or percent > wanted or float(rounded) <= wanted or digits > 9:
            return f"{rounded:f}"
        digits += 1


def named(item: Apparatus) -> str:
    """Name of an apparatus; a burette's division is part of it.

    >>> named(Apparatus("burette", nominal_ml=25, division_ml=0.05, apparatus_class="B"))
    '25 mL burette (class B, 0.05 mL divisions)'
    """
    name = tool(item)
    if item.type != "burette" or not item.division_ml:
        return name
    return f"{name.removesuffix(')')}, {item.division_ml:g} mL divisions)"


def name_of(line: Typed) -> str:
    """Name of a line's apparatus as it was typed."""
    kind = cast("ApparatusType", line.type)
    if line.size is None:
        return line.type
    if line.type == "balance":
        return named(Apparatus(kind, readability_g=line.size))
    return named(
        Apparatus(kind, nominal_ml=line.size, division_ml=line.other, apparatus_class=line.apparatus_class)
    )


def reach_of(line: Typed) -> Reach:
    """How exactly a line measures what is measured with it.

    Args:
        line: with its size and amount [g or mL].

    Returns:
        Best and worst relative standard uncertainty [1].

    Raises:
        InputError: ``below_division``, ``beyond_capacity`` or ``not_its_mark``: it can't be read there.

    Source: the tables of ``apparatus.toml``; QUAM A1 and A2; marks of beakers by common practice.
    """
    if line.type not in MEASURING:
        return replace(
            UNKNOWN, why=f"How exactly {a(line.type or 'thing')} measures stands in no table here."
        )
    if line.size is None or line.amount is None:
        return UNKNOWN
    if line.type == "balance":
        return _weighed(line, line.size, line.amount)
    if line.type in BY_EYE:
        return _by_eye(line, line.size, line.amount)
    return _measured(line, line.size, line.amount)


def _weighed(line: Typed, readability: float, grams: float) -> Reach:
    _at_least(line, readability, grams, f"a balance that reads to {readability:g} g")
    usual = next((one for one in usual_balances() if _same(one.readability_g, readability)), None)
    capacity = line.other or (usual.capacity_g if usual else None)
    if capacity and grams > capacity:
        whose = "takes up to" if line.other else "usually takes up to"
        raise _beyond(line, f"a balance that reads to {readability:g} g: it {whose} {capacity:g} g")
    found = usual or Apparatus("balance", readability_g=readability)
    inputs = relative_to(balance_inputs(found), grams)
    standard = root_sum_square(one.standard for one in inputs)
    if usual:
        return Reach(standard, standard, working=f"{_shown(inputs, grams, 'g')} {_USUAL_BALANCE}")
    known = ", ".join(f"{one.readability_g:g}" for one in usual_balances())
    why = (
        f"its display alone is counted, since the usual errors are known here of balances that read to"
        f" {known} g"
    )
    return Reach(standard, None, why, f"{_shown(inputs, grams, 'g')} The display alone is counted.")


def _by_eye(line: Typed, capacity: float, ml: float) -> Reach:
    if ml > capacity:
        raise _beyond(line, a(name_of(line)))
    low, high = MARKS
    return Reach(
        rectangular(low),
        rectangular(high),
        "it depends on its maker",
        f"The marks of {a(line.type)} are approximations; makers say from ± {100 * low:g} % to"
        f" ± {100 * high:g} % (common practice), rectangular: ÷ √3, and × 2.",
    )


def _measured(line: Typed, capacity: float, ml: float) -> Reach:
    rows = _rows(line, capacity)
    if not rows:
        return replace(UNKNOWN, why=_no_row(line))
    if ml > capacity and not _same(ml, capacity):
        raise _beyond(line, a(name_of(line)))
    if line.type in ONE_MARK and not _same(ml, capacity):
        raise InputError(
            f"{line.place}.measures",
            "not_its_mark",
            f"{line.shown} can't be measured with {a(name_of(line))}: it has one mark.",
        )
    finest = min(_finest(row) for row in rows)
    _at_least(line, finest, ml, f"{a(name_of(line))}: it is read from {finest:g} mL on")
    ways = []
    for row in rows:
        inputs = inputs_of(_ware(row), ml)
        ways.append((root_sum_square(one.standard for one in inputs), row, inputs))
    ways.sort(key=lambda way: way[0])
    why = ""
    if len(ways) > 1:
        divisions = " or ".join(f"{row.division_ml:g} mL" for _, row, _ in ways)
        why = f"it depends on its division (type {divisions} after the size)"
    worst, row, inputs = ways[-1]
    memory = " This limit of error could not be checked against its standard." if row.from_memory else ""
    return Reach(ways[0][0], worst, why, f"{_shown(inputs, ml, 'mL')}{memory}")


def inputs_of(item: Apparatus, amount: float) -> tuple[Input, ...]:
    """What an apparatus and, for a volume, the room carry into a measured amount, relative [1].

    Args:
        item: a balance, or ware with its limit of error.
        amount: what is measured [g or mL], more than 0.

    Returns:
        Relative standard uncertainties [1]; the room strays by 4 °C about 20 °C.

    Source: QUAM A1 and A2.

    >>> flask = Apparatus("one-mark flask", nominal_ml=100, tolerance_ml=0.1)
    >>> [round(one.standard * 100, 4) for one in inputs_of(flask, 100)]
    [0.0408, 0.02, 0.0485]
    """
    if item.type == "balance":
        return relative_to(balance_inputs(item), amount)
    room = (one for one in Room().inputs if one.standard > 0.0)
    return (*relative_to(ware_inputs(item), amount), *room)


def instead_of(line: Typed) -> Iterator[Instead]:
    """Every apparatus of the tables that could measure the line, the cheapest and coarsest first.

    Ware of the line's own kind and size comes first, since a titration can't be done by pipette; a flask
    is only replaced by a flask, since it is made up in.
    """
    if line.amount is None:
        return
    if line.type == "balance":
        for one in usual_balances():
            if (one.readability_g or 0.0) <= line.amount <= (one.capacity_g or 0.0):
                yield _instead(one, line.amount)
        return
    kinds = (line.type,) if line.type == "one-mark flask" else tuple(dict.fromkeys((line.type, *_LADDER)))
    for kind in kinds:
        fitting = [
            _instead(_ware(row), line.amount)
            for row in limits()
            if row.type == kind and row.standard.startswith("ISO ") and _takes(row, line.amount)
        ]
        yield from sorted(
            fitting,
            key=lambda one: (
                kind == line.type and not _same(one.apparatus.nominal_ml, line.size or 0.0),
                one.apparatus.nominal_ml,
                one.apparatus.apparatus_class != "B",
                -one.standard,
            ),
        )


def _instead(item: Apparatus, amount: float) -> Instead:
    return Instead(item, root_sum_square(one.standard for one in inputs_of(item, amount)))


def _takes(row: Limit, ml: float) -> bool:
    if row.type in ONE_MARK:
        return _same(row.nominal_ml, ml)
    return _finest(row) <= ml <= row.nominal_ml


def _finest(row: Limit) -> float:
    """The smallest volume [mL] that can be read on it."""
    return row.nominal_ml * SMALLEST_SET if row.type == "piston pipette" else row.division_ml or 0.0


def _rows(line: Typed, capacity: float) -> list[Limit]:
    """Rows of the first standard that has this size; ISO stands before ASTM in the table."""
    wanted = "A" if line.apparatus_class == "AS" else line.apparatus_class
    fitting = [
        row
        for row in limits()
        if (row.type, row.apparatus_class) == (line.type, wanted)
        and _same(row.nominal_ml, capacity)
        and (line.other is None or row.division_ml is None or _same(row.division_ml, line.other))
    ]
    return [row for row in fitting if row.standard == fitting[0].standard]


def _no_row(line: Typed) -> str:
    sizes = sorted({row.nominal_ml for row in limits() if row.type == line.type})
    known = ", ".join(f"{size:g}" for size in sizes)
    return f"No standard in the tables has {a(name_of(line))}; they have {known} mL."


def _ware(row: Limit) -> Apparatus:
    return Apparatus(
        row.type,
        nominal_ml=row.nominal_ml,
        tolerance_ml=row.tolerance_ml,
        division_ml=row.division_ml,
        apparatus_class=row.apparatus_class,
        standard=row.standard,
    )


def _same(one: float | None, other: float) -> bool:
    return one is not None and math.isclose(one, other, rel_tol=1e-9)


def _at_least(line: Typed, least: float, amount: float, where: str) -> None:
    if amount < least and not _same(amount, least):
        raise InputError(
            f"{line.place}.measures", "below_division", f"{line.shown} can't be read on {where}."
        )


def _beyond(line: Typed, where: str) -> InputError:
    return InputError(
        f"{line.place}.measures",
        "beyond_capacity",
        f"{line.shown} can't be read on {where}. Taking it in several portions isn't judged here.",
    )


def _shown(inputs: tuple[Input, ...], amount: float, unit: str) -> str:
    parts = [f"{one.name} ({_said(one)}) {_plain(one.standard * amount)} {unit}" for one in inputs]
    standard = root_sum_square(one.standard for one in inputs)
    return (
        f"Standard uncertainties: {'; '.join(parts)}. Together {_plain(standard * amount)} {unit} of"
        f" {amount:g} {unit}; × 2 is {shown_percent(COVERAGE * 100.0 * standard)} %."
    )


def _plain(value: float) -> str:
    return f"{Decimal(f'{value:.2g}'):f}"


def _said(one: Input) -> str:
    # A usual repeatability stands on no record of a balance; what it is said of stands at the end.
    if one.name == "balance repeatability":
        return one.distribution
    return one.source if one.distribution in one.source else f"{one.source}; {one.distribution}"
