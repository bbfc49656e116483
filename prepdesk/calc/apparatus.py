"""Standard sizes and limits of error of balances and glassware.

"Class A" alone says little: ISO and ASTM differ by a third for the same mark, and a 10 mL burette has
two limits, by its division. So every limit is asked with its standard, and what no table holds is
refused instead of interpolated.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from typing import Final, cast

from prepdesk.calc.errors import InputError
from prepdesk.calc.model import Apparatus, ApparatusType
from prepdesk.calc.tables import rows

_ML_PER_UL: Final = 0.001

# The standards that hold for a full teaching set, type by type.
# As many pieces of each as the longest plan has in use at once (common practice of a teaching room).
_ENOUGH: Final = 24
_STANDARD_SET: Final = ("ISO 1042:1998", "ISO 648:2008", "ISO 385:2005", "ISO 4788:2005")


@dataclass(frozen=True, slots=True)
class Limit:
    """One row of a standard: what one size of one class may be off.

    Attributes:
        type: the trade's word.
        standard: document with its year, as ``ISO 1042:1998``.
        apparatus_class: ``A`` or ``B``; empty for piston pipettes, which have none.
        nominal_ml: size [mL].
        division_ml: smallest graduation [mL], None for one-mark ware.
        tolerance_ml: limit of error [mL]; of a piston pipette the systematic limit.
        random_ml: limit of the standard deviation of a piston pipette [mL], else None.
        source: where the figure was read.
        from_memory: whether nobody could check it against the document.
    """

    type: ApparatusType
    standard: str
    apparatus_class: str
    nominal_ml: float
    division_ml: float | None
    tolerance_ml: float
    random_ml: float | None
    source: str
    from_memory: bool


@dataclass(frozen=True, slots=True)
class ClassChoice:
    """What a form may offer for one type of apparatus.

    Attributes:
        type: the trade's word.
        standard: document with its year.
        apparatus_class: ``A``, ``B`` or empty.
        nominals_ml: the sizes this standard knows [mL], ascending.
        label: as shown, "ISO 1042:1998, class A".
    """

    type: ApparatusType
    standard: str
    apparatus_class: str
    nominals_ml: tuple[float, ...]
    label: str


def tolerance_ml(
    type: ApparatusType,  # noqa: A002  (the contract's own field name)
    nominal_ml: float,
    apparatus_class: str,
    standard: str,
    division_ml: float | None = None,
) -> float:
    """Limit of error of one size at 20 °C.

    Args:
        type: ``one-mark flask``, ``burette`` …
        nominal_ml: size [mL].
        apparatus_class: ``A``, ``AS`` (as A, with a waiting time) or ``B``; empty for piston pipettes.
        standard: ``ISO 1042:1998`` or without its year, ``ISO 1042``.
        division_ml: smallest graduation [mL]; needed only where one size has several.

    Returns:
        The limit [mL], at the mark or anywhere on the scale. Of a piston pipette it is the systematic
        limit, which holds as an absolute volume at every volume set.

    Raises:
        InputError: code ``no_tolerance``; the text says which sizes or divisions the standard has.

    Source: the standard named in the row of ``apparatus.toml``.

    >>> tolerance_ml("one-mark flask", 100, "A", "ISO 1042")
    0.1
    """
    return limit_of(type, nominal_ml, apparatus_class, standard, division_ml).tolerance_ml


def limit_of(
    type: ApparatusType,  # noqa: A002  (the contract's own field name)
    nominal_ml: float,
    apparatus_class: str,
    standard: str,
    division_ml: float | None = None,
) -> Limit:
    """The whole row behind :func:`tolerance_ml`: with its source and, for piston pipettes, both limits.

    Args and Raises as there.

    Returns:
        The row [mL].

    Source: as there.

    >>> limit_of("piston pipette", 1.0, "", "ISO 8655-2").random_ml
    0.003
    """
    wanted_class = "A" if apparatus_class == "AS" else apparatus_class
    of_class = [
        limit
        for limit in limits()
        if limit.type == type
        and _without_year(limit.standard) == _without_year(standard)
        and limit.apparatus_class == wanted_class
    ]
    if not of_class:
        said = f"{standard} class {apparatus_class}" if apparatus_class else standard
        raise InputError("standard", "no_tolerance", f"No limits for a {type} by {said} are known here.")
    of_size = [limit for limit in of_class if limit.nominal_ml == nominal_ml]
    if not of_size:
        sizes = ", ".join(f"{size:g}" for size in sorted({limit.nominal_ml for limit in of_class}))
        raise InputError(
            "nominal_ml",
            "no_tolerance",
            f"{of_class[0].standard} has no {type} of {nominal_ml:g} mL. It has {sizes} mL.",
        )
    fitting = [limit for limit in of_size if division_ml is None or limit.division_ml in (None, division_ml)]
    if len({limit.tolerance_ml for limit in fitting}) != 1:
        divisions = " or ".join(f"{limit.division_ml:g}" for limit in of_size)
        raise InputError(
            "division_ml",
            "no_tolerance",
            f"A {type} of {nominal_ml:g} mL is graduated in {divisions} mL, with its own limit each. "
            "Say which one it is.",
        )
    return fitting[0]


def _without_year(standard: str) -> str:
    return standard.partition(":")[0].strip()


def class_choices() -> tuple[ClassChoice, ...]:
    """Every standard and class a form may offer, with its sizes.

    Returns:
        Choices in the order of the table [sizes in mL].

    >>> class_choices()[0].label
    'ISO 1042:1998, class A'
    """
    sizes: dict[tuple[ApparatusType, str, str], set[float]] = {}
    for limit in limits():
        sizes.setdefault((limit.type, limit.standard, limit.apparatus_class), set()).add(limit.nominal_ml)
    return tuple(
        ClassChoice(
            type=type_,
            standard=standard,
            apparatus_class=class_,
            nominals_ml=tuple(sorted(nominals)),
            label=f"{standard}, class {class_}" if class_ else standard,
        )
        for (type_, standard, class_), nominals in sizes.items()
    )


@cache
def standard_set() -> tuple[Apparatus, ...]:
    """A full teaching-laboratory set, as the contract's ``"equipment": "standard"`` means it.

    Balances of 1, 0.1, 0.01, 0.001 and 0.0001 g; one-mark flasks and pipettes, burettes and graduated
    cylinders of ISO class A in every size of their standards; beakers, whose marks are approximations.

    Returns:
        The set [g, mL], each kind once, in the order balance, flask, pipette, burette, cylinder, beaker;
        of each as many pieces as a plan may want.

    Source: the standards named in ``apparatus.toml``; balances by common practice.

    >>> [item.readability_g for item in standard_set() if item.type == "balance"]
    [1.0, 0.1, 0.01, 0.001, 0.0001]
    """
    glass = (
        Apparatus(
            type=limit.type,
            nominal_ml=limit.nominal_ml,
            tolerance_ml=limit.tolerance_ml,
            division_ml=limit.division_ml,
            apparatus_class="A",
            standard=limit.standard,
        )
        for standard in _STANDARD_SET
        for limit in limits()
        if limit.standard == standard and limit.apparatus_class == "A"
    )
    return tuple(replace(one, count=_ENOUGH) for one in (*usual_balances(), *glass, *vessels("beaker")))


@cache
def usual_balances() -> tuple[Apparatus, ...]:
    """Balances of the usual readabilities, with typical figures for their error.

    Returns:
        One balance per readability [g]; an item's own papers come before these figures.

    Source: common practice, from memory.

    >>> usual_balances()[2].capacity_g
    2000.0
    """
    return tuple(
        Apparatus(
            type="balance",
            readability_g=row["readability_g"],
            capacity_g=row["capacity_g"],
            repeatability_g=row["repeatability_g"],
            linearity_g=row["linearity_g"],
            standard="common practice",
        )
        for row in rows("apparatus.toml", "balance")
    )


@cache
def vessels(type: ApparatusType) -> tuple[Apparatus, ...]:  # noqa: A002  (the contract's own field name)
    """Vessels that hold without measuring: their marks are approximations.

    Args:
        type: ``beaker``, ``conical flask`` or ``carboy``.

    Returns:
        One of each usual size [mL], without a tolerance; empty for any other type.

    Source: common practice, from memory.

    >>> vessels("beaker")[0].tolerance_ml is None
    True
    """
    return tuple(
        Apparatus(type=type, nominal_ml=float(size), standard="marks are approximations")
        for row in rows("apparatus.toml", "vessel")
        if row["type"] == type
        for size in row["sizes_ml"]
    )


@cache
def limits() -> tuple[Limit, ...]:
    """Every row of every standard in the table.

    Returns:
        Rows ordered by type, standard, class as in the table, sizes ascending [mL].

    Source: each row's own.

    >>> limits()[0].standard
    'ISO 1042:1998'
    """
    found = [*_one_mark(), *_graduated(), *_piston()]
    order = list(dict.fromkeys((limit.type, limit.standard, limit.apparatus_class) for limit in found))
    return tuple(
        sorted(
            found,
            key=lambda limit: (
                order.index((limit.type, limit.standard, limit.apparatus_class)),
                limit.nominal_ml,
                limit.division_ml or 0.0,
            ),
        )
    )


def _one_mark() -> Iterator[Limit]:
    for row in rows("apparatus.toml", "series"):
        for column, class_ in enumerate(row["classes"], start=1):
            for size in row["sizes"]:
                yield _limit(row, class_, nominal_ml=size[0], tolerance=size[column])


def _graduated() -> Iterator[Limit]:
    for row in rows("apparatus.toml", "graduated"):
        for column, class_ in enumerate(row["classes"], start=2):
            for size in row["sizes"]:
                yield _limit(row, class_, nominal_ml=size[0], division_ml=size[1], tolerance=size[column])


def _piston() -> Iterator[Limit]:
    for row in rows("apparatus.toml", "piston"):
        for nominal, systematic, random in row["sizes"]:
            yield _limit(
                row,
                "",
                nominal_ml=nominal * _ML_PER_UL,
                tolerance=systematic * _ML_PER_UL,
                random_ml=random * _ML_PER_UL,
            )


def _limit(
    row: object,
    class_: str,
    *,
    nominal_ml: float,
    tolerance: float,
    division_ml: float | None = None,
    random_ml: float | None = None,
) -> Limit:
    known = cast("dict[str, str]", row)
    return Limit(
        type=cast("ApparatusType", known["type"]),
        standard=known["standard"],
        apparatus_class=class_,
        nominal_ml=round(float(nominal_ml), 9),
        division_ml=None if division_ml is None else float(division_ml),
        tolerance_ml=round(float(tolerance), 9),
        random_ml=None if random_ml is None else round(random_ml, 9),
        source=known["source"],
        from_memory=known.get("tag") == "from memory",
    )
