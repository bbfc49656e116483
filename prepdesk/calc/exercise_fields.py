"""The measuring apparatus of a bench list as an instructor types it, read into numbers.

A size is typed as it stands on the apparatus: "25 mL", for a balance what it reads to, "0.01 g". What else
stands there may follow after a comma: the division of a scale, the class ("25 mL, 0.05 mL, class A").
"""

import re
from dataclasses import dataclass
from typing import Final

from prepdesk.calc.errors import InputError
from prepdesk.calc.request_fields import Reader, read_percent
from prepdesk.calc.typed import MAX_CHARACTERS, TypedNumber, parse_positive
from prepdesk.calc.units import MASS_UNITS, VOLUME_UNITS, Unit, read_unit, to_g, to_ml

# Vessels whose marks are approximations.
BY_EYE: Final = ("beaker", "conical flask", "carboy")
ONE_MARK: Final = ("one-mark pipette", "one-mark flask")
MEASURING: Final[tuple[str, ...]] = (
    "balance",
    "burette",
    "one-mark pipette",
    "graduated pipette",
    "graduated cylinder",
    "one-mark flask",
    "piston pipette",
    *BY_EYE,
)
CLASSES: Final = ("A", "AS", "B")
MOST_PERCENT: Final = 100.0

_QUANTITY: Final = re.compile(r"([^A-Za-z\u00b5\u03bc%]*(?:[eE][+-]?[0-9]+)?)(.*)", re.DOTALL)
# A comma inside a number follows a digit; one that parts two quantities follows a unit.
_PARTS: Final = re.compile(r"(?<=[A-Za-z])\s*[,;/(]\s*|\s+(?=[Cc]lass\b)")
_CLASS: Final = re.compile(r"class\s+([A-Za-z]+)", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Line:
    """One measuring apparatus of a bench list.

    Attributes:
        type: one of :data:`MEASURING`; any other is not judged.
        size: as typed, ``25 mL`` (capacity), or for a balance its readability, ``0.01 g``. The division of
            a scale and the class may follow, ``25 mL, 0.05 mL, class A``.
        measures: what is measured with it, as typed, ``10 mL`` or ``12.5 g``; empty for nothing.
        wanted_percent: what this line may be off by [%], as typed; empty when only the result matters.
        result: lines with the same word give one result together (a mass and a volume: a density).
        apparatus_class: ``A``, ``AS`` or ``B``, the ware of students; a class typed in the size comes first.
    """

    type: str
    size: str
    measures: str
    wanted_percent: str = ""
    result: str = ""
    apparatus_class: str = "B"


@dataclass(frozen=True, slots=True)
class Typed:
    """A line, read.

    Attributes:
        place: position in the list, from 0.
        type: as in the line.
        size: capacity [mL], or of a balance its readability [g]; None where nothing is to be judged.
        other: the division [mL] or a balance's capacity [g], where typed.
        apparatus_class: ``A``, ``AS`` or ``B``; empty for balances and piston pipettes.
        amount: what is measured [g or mL], None where nothing is to be judged.
        shown: the same as typed, with its unit.
        wanted: what the line may be off by [%], None where nothing is wanted of it.
        wanted_shown: the same as typed.
        result: word of the result it belongs to, empty for none.
    """

    place: int
    type: str
    size: float | None
    other: float | None
    apparatus_class: str
    amount: float | None
    shown: str
    wanted: float | None
    wanted_shown: str
    result: str


def read_line(place: int, line: Line, reader: Reader) -> Typed:
    """Read one line; what can't be read is kept by the reader, under ``0.size`` and the like.

    Args:
        place: position in the list, from 0.
        line: as typed.
        reader: collects the errors.

    Returns:
        The line with its numbers [g, mL, %].

    >>> read = read_line(0, Line("burette", "25 mL, 0,05 mL", "10 mL", "1"), Reader())
    >>> read.size, read.other, read.amount, read.wanted
    (25.0, 0.05, 10.0, 1.0)
    """
    wanted_shown = line.wanted_percent.strip().removesuffix("%").strip()
    wanted = None
    if wanted_shown:
        wanted = reader.read(lambda: read_percent(wanted_shown, f"{place}.wanted_percent", MOST_PERCENT))
    size, other, class_, amount, shown = None, None, line.apparatus_class.strip().upper() or "B", None, ""
    result = " ".join(line.result.split())
    if line.type in MEASURING and line.measures.strip():
        units = MASS_UNITS if line.type == "balance" else VOLUME_UNITS
        found = reader.read(lambda: _quantity(line.measures, units, f"{place}.measures"))
        if found is not None:
            amount, shown = _value(*found), f"{found[0].text} {found[1].label}"
        read = reader.read(lambda: _size(line, units, f"{place}.size"))
        if read is not None:
            size, other, class_ = read[0], read[1], read[2] or class_
        if class_ not in CLASSES:
            reader.refuse(f"{place}.apparatus_class", "unknown_class", "Use class A, AS or B.")
    elif line.type in MEASURING and (wanted_shown or result):
        example = "12.5 g" if line.type == "balance" else "10 mL"
        reader.refuse(
            f"{place}.measures", "required", f"Say how much is measured with it, for example {example}."
        )
    return Typed(
        place=place,
        type=line.type,
        size=size,
        other=other,
        apparatus_class="" if line.type in ("balance", "piston pipette", *BY_EYE) else class_,
        amount=amount,
        shown=shown,
        wanted=wanted,
        wanted_shown=wanted_shown,
        result=result,
    )


def _size(line: Line, units: tuple[Unit, ...], field: str) -> tuple[float, float | None, str]:
    """Capacity and division [mL], or readability and capacity [g]; and the class where typed."""
    example = "0.01 g, what it reads to" if line.type == "balance" else "25 mL"
    text = line.size.strip().rstrip(")").strip()
    if not text:
        raise InputError(field, "required", f"Type its size, for example {example}.")
    if len(text) > 2 * MAX_CHARACTERS:
        raise InputError(field, "too_long", f"That is longer than {2 * MAX_CHARACTERS} characters.")
    class_, found = "", []
    for part in _PARTS.split(text):
        named = _CLASS.fullmatch(part.strip())
        if named is None:
            found.append(_value(*_quantity(part, units, field)))
            continue
        class_ = named[1].upper()
        if class_ not in CLASSES:
            raise InputError(field, "unknown_class", f"“{part.strip()}” is no class here; use A, AS or B.")
    if not 1 <= len(found) <= 2:
        raise InputError(field, "not_a_size", f"Type its size as it stands on it, for example {example}.")
    found.sort(reverse=line.type != "balance")
    return found[0], found[1] if len(found) == 2 else None, class_


def _quantity(text: str, units: tuple[Unit, ...], field: str) -> tuple[TypedNumber, Unit]:
    if len(text) > MAX_CHARACTERS:
        raise InputError(field, "too_long", f"That is longer than {MAX_CHARACTERS} characters.")
    match = _QUANTITY.fullmatch(text.strip())
    number, unit = (match[1], match[2].strip()) if match else ("", "")
    if not unit:
        allowed = ", ".join(each.symbol for each in units)
        raise InputError(field, "unknown_unit", f"Type a number and its unit, one of {allowed}.")
    found = read_unit(unit, units, field)
    return parse_positive(number, field), found


def _value(number: TypedNumber, unit: Unit) -> float:
    convert = to_g if unit in MASS_UNITS else to_ml
    # The last bit of a conversion must not part equal sizes.
    return float(f"{convert(float(number.value), unit.symbol):.12g}")
