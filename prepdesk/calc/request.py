"""Reads the contract's JSON into a :class:`~prepdesk.calc.model.PreparationRequest`.

Everything that is wrong is collected, each with the dotted path of its field, so that a form can show
all of it at once. Nothing is repaired: a value that can't be read is refused with what would be
accepted. Fields the contract does not name are ignored.
"""

import math
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Final, Literal, TypeVar

from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError, RequestRefused
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import (
    Component,
    LiquidSource,
    LotSource,
    PreparationRequest,
    Shelf,
    ShelfLot,
    SolidSource,
    SolutionSource,
    Source,
    Substance,
    TypedQuantity,
)
from prepdesk.calc.typed import parse_number, parse_positive
from prepdesk.calc.units import CONCENTRATION_UNITS, VOLUME_UNITS, Unit, read_unit

TARGET_UNITS: Final = tuple(unit.symbol for unit in CONCENTRATION_UNITS)
MAX_COMPONENTS: Final = 12
MAX_NAME: Final = 200
MAX_EQUIVALENTS: Final = 20

DENSITY_UNITS: Final[Mapping[str, float]] = {
    "g/mL": 1.0,
    "g/cm3": 1.0,
    "kg/L": 1.0,
    "kg/m3": 1e-3,
    "g/L": 1e-3,
}
# Liquids at room temperature lie between pentane (0.63) and mercury (13.6); outside is a wrong unit.
DENSITY_RANGE: Final = (0.5, 15.0)
WATER_WORDS: Final = frozenset({"", "water", "h2o", "deionised water", "distilled water", "deionized water"})

T = TypeVar("T")


class _Reader:
    """Collects errors while fields are read one after another."""

    def __init__(self) -> None:
        self.errors: list[InputError] = []

    def read(self, how: Callable[[], T]) -> T | None:
        """Return what ``how`` reads, or None after keeping its error."""
        try:
            return how()
        except InputError as error:
            self.errors.append(error)
            return None


def read_request(raw: object, catalogue: Catalogue, shelf: Shelf) -> PreparationRequest:
    """Read and check one request of the contract.

    Args:
        raw: decoded JSON, of whatever shape it came in.
        catalogue: names, CAS numbers and formulas that are known.
        shelf: its lots are the ones a source of kind ``lot`` may name.

    Raises:
        RequestRefused: with every error found.

    >>> from prepdesk.calc.catalogue import standard_catalogue
    >>> read_request([], standard_catalogue(), Shelf())
    Traceback (most recent call last):
    prepdesk.calc.errors.RequestRefused: Send one JSON object with components and volume.
    """
    if not isinstance(raw, Mapping):
        raise RequestRefused(
            (InputError("", "not_an_object", "Send one JSON object with components and volume."),)
        )
    reader = _Reader()
    components = _components(reader, raw.get("components"), catalogue, shelf)
    volume = reader.read(lambda: _quantity(raw.get("volume"), "volume", VOLUME_UNITS))
    tolerance = reader.read(
        lambda: _optional_percent(raw.get("tolerance_percent"), "tolerance_percent", 50.0)
    )
    temperature = reader.read(lambda: _temperature(raw.get("temperature_c")))
    solvent = reader.read(lambda: _solvent(raw.get("solvent")))
    equipment = reader.read(lambda: _equipment(raw.get("equipment")))
    if reader.errors:
        raise RequestRefused(tuple(reader.errors))
    assert volume is not None
    assert temperature is not None
    assert solvent is not None
    assert equipment is not None
    return PreparationRequest(
        components=components,
        volume=volume,
        tolerance_percent=tolerance,
        temperature_c=temperature,
        solvent=solvent,
        equipment=equipment,
    )


def _components(reader: _Reader, raw: object, catalogue: Catalogue, shelf: Shelf) -> tuple[Component, ...]:
    if not isinstance(raw, list | tuple):
        reader.errors.append(
            InputError("components", "required", "List at least one component with substance and target.")
        )
        return ()
    if not raw:
        reader.errors.append(InputError("components", "required", "List at least one component."))
    if len(raw) > MAX_COMPONENTS:
        reader.errors.append(
            InputError(
                "components",
                "too_many",
                f"{len(raw)} components are too many; a solution may have up to {MAX_COMPONENTS}.",
            )
        )
        return ()
    found: list[Component] = []
    for index, item in enumerate(raw):
        component = _component(reader, item, f"components.{index}", catalogue, shelf)
        if component is not None:
            found.append(component)
    return tuple(found)


def _component(
    reader: _Reader, raw: object, field: str, catalogue: Catalogue, shelf: Shelf
) -> Component | None:
    if not isinstance(raw, Mapping):
        reader.errors.append(
            InputError(field, "not_an_object", "A component is an object with substance and target.")
        )
        return None
    before = len(reader.errors)
    substance = reader.read(lambda: _substance(raw.get("substance"), f"{field}.substance", catalogue))
    target = reader.read(lambda: _quantity(raw.get("target"), f"{field}.target", CONCENTRATION_UNITS))
    equivalents = reader.read(
        lambda: _equivalents(raw.get("equivalents"), f"{field}.equivalents", raw.get("target"))
    )
    source = None
    if raw.get("source") is not None:
        source = reader.read(
            lambda: _source(
                raw["source"],
                f"{field}.source",
                substance=substance,
                catalogue=catalogue,
                shelf=shelf,
                equivalents=equivalents,
            )
        )
    if len(reader.errors) > before or substance is None or target is None:
        return None
    if target.unit == "% v/v" and substance.state == "solid":
        reader.errors.append(
            InputError(
                f"{field}.target.unit",
                "unit_needs_liquid",
                f"“{substance.name}” is a solid, so it has no volume percent; ask in mol/L, g/L or % w/w.",
            )
        )
        return None
    return Component(substance=substance, target=target, source=source, equivalents=equivalents)


def _substance(raw: object, field: str, catalogue: Catalogue) -> Substance:
    if raw is None or raw == "":
        raise InputError(field, "required", "Name the substance: its name, CAS number or formula.")
    if not isinstance(raw, str):
        raise InputError(field, "not_text", "Give the substance as text: its name, CAS number or formula.")
    if len(raw) > MAX_NAME:
        raise InputError(field, "too_long", f"That is longer than {MAX_NAME} characters; use the formula.")
    return catalogue.resolve(raw, field)


def _quantity(raw: object, field: str, units: tuple[Unit, ...]) -> TypedQuantity:
    symbols = ", ".join(unit.symbol for unit in units)
    if raw is None:
        raise InputError(field, "required", f"Give a value and a unit ({symbols}).")
    if not isinstance(raw, Mapping):
        raise InputError(field, "not_an_object", f"Give an object with value and unit ({symbols}).")
    number = parse_positive(raw.get("value"), f"{field}.value")
    unit = raw.get("unit")
    if not isinstance(unit, str):
        raise InputError(f"{field}.unit", "unknown_unit", f"Use one of these units: {symbols}.")
    return TypedQuantity(number, read_unit(unit, units, f"{field}.unit").symbol)


def _plain_number(raw: object, field: str) -> Decimal:
    """A number that may come as text or as a JSON number; a truth value is neither."""
    if isinstance(raw, bool):
        raise InputError(field, "not_a_number", "Give a number, for example 0.5.")
    if isinstance(raw, int):
        # Comparing with the bounds works for any size; turning a huge one into text does not.
        return Decimal(raw) if abs(raw) < 10**30 else Decimal(10) ** 30
    if isinstance(raw, float):
        if not math.isfinite(raw):
            raise InputError(field, "not_a_number", "Give a finite number, for example 0.5.")
        return Decimal(repr(raw))
    return parse_number(raw, field).value


def _percent(raw: object, field: str, high: float) -> float:
    value = _plain_number(raw, field)
    if value <= 0:
        raise InputError(field, "not_positive", f"Give a percentage above 0 and up to {high:g}.")
    if value > Decimal(repr(high)):
        raise InputError(field, "out_of_range", f"Give a percentage above 0 and up to {high:g}.")
    # A positive decimal below the smallest float would become zero and be divided by later.
    return max(float(value), 1e-12)


def _optional_percent(raw: object, field: str, high: float) -> float | None:
    return None if raw is None or raw == "" else _percent(raw, field, high)


def _temperature(raw: object) -> float:
    if raw is None or raw == "":
        return 20.0
    value = _plain_number(raw, "temperature_c")
    if not 0 <= value <= 60:
        raise InputError("temperature_c", "out_of_range", "Give a temperature from 0 to 60 °C.")
    return float(value)


def _solvent(raw: object) -> str:
    if raw is None:
        return "water"
    if not isinstance(raw, str):
        raise InputError("solvent", "not_text", "Name the solvent as text, for example water.")
    name = " ".join(raw.split()).casefold()
    if len(name) > MAX_NAME:
        raise InputError("solvent", "too_long", "Name the solvent in a few words.")
    return "water" if name in WATER_WORDS else name


def _equipment(raw: object) -> Literal["shelf", "standard"]:
    if raw is None:
        return "shelf"
    if raw in ("shelf", "standard"):
        return raw
    raise InputError("equipment", "unknown_choice", 'Use "shelf" or "standard".')


def _equivalents(raw: object, field: str, target: object) -> int | None:
    needed = isinstance(target, Mapping) and target.get("unit") == "eq/L"
    if raw is None or raw == "":
        if needed:
            raise InputError(
                field,
                "required",
                "For eq/L say how many equivalents one formula unit has in your reaction, for example 2 for"
                " sulfuric acid that gives both its protons.",
            )
        return None
    value = _plain_number(raw, field)
    if value != value.to_integral_value() or not 1 <= value <= MAX_EQUIVALENTS:
        raise InputError(field, "out_of_range", f"Give a whole number from 1 to {MAX_EQUIVALENTS}.")
    return int(value)


# --- sources ----------------------------------------------------------------------------------
def _source(
    raw: object,
    field: str,
    *,
    substance: Substance | None,
    catalogue: Catalogue,
    shelf: Shelf,
    equivalents: int | None,
) -> Source:
    if not isinstance(raw, Mapping):
        raise InputError(field, "not_an_object", "A source is an object with kind and its fields.")
    kind = raw.get("kind")
    kinds: dict[object, Callable[[], Source]] = {
        "solid": lambda: _solid(raw, field, substance),
        "liquid": lambda: _liquid(raw, field),
        "solution": lambda: _solution(raw, field, equivalents),
        "lot": lambda: _lot(raw.get("id"), f"{field}.id", substance, catalogue, shelf),
    }
    if not isinstance(kind, str) or kind not in kinds:
        raise InputError(f"{field}.kind", "unknown_choice", "Use one of: solid, liquid, solution, lot.")
    return kinds[kind]()


def _liquid(raw: Mapping[str, object], field: str) -> LiquidSource:
    return LiquidSource(
        mass_percent=_percent(raw.get("mass_percent"), f"{field}.mass_percent", 100.0),
        density_g_per_ml=_density(raw.get("density"), f"{field}.density"),
        mass_percent_tolerance=_optional_percent(
            raw.get("mass_percent_tolerance"), f"{field}.mass_percent_tolerance", 50.0
        ),
    )


def _solid(raw: Mapping[str, object], field: str, substance: Substance | None) -> SolidSource:
    text = raw.get("formula")
    if text is None or text == "":
        if substance is None:
            raise InputError(f"{field}.formula", "required", "Give the formula on the bottle, as CuSO4.5H2O.")
        text = substance.formula
    if not isinstance(text, str):
        raise InputError(f"{field}.formula", "not_text", "Give the formula as text, as CuSO4.5H2O.")
    formula = parse_formula(text, f"{field}.formula")
    if substance is not None:
        wanted = parse_formula(substance.formula)
        if parse_formula(wanted.base).counts != parse_formula(formula.base).counts:
            raise InputError(
                f"{field}.formula",
                "different_substance",
                f"{formula.pretty} is another substance than {wanted.pretty}; only its anhydrous or hydrated"
                " forms can serve.",
            )
    assay = raw.get("assay_percent")
    return SolidSource(
        formula=formula.plain,
        assay_percent=_optional_percent(assay, f"{field}.assay_percent", 100.0),
        assay_tolerance_percent=_optional_percent(
            raw.get("assay_tolerance_percent"), f"{field}.assay_tolerance_percent", 50.0
        ),
    )


def _solution(raw: Mapping[str, object], field: str, equivalents: int | None) -> SolutionSource:
    concentration = _quantity(raw.get("concentration"), f"{field}.concentration", CONCENTRATION_UNITS)
    if concentration.unit == "eq/L" and equivalents is None:
        raise InputError(
            f"{field}.concentration.unit",
            "required",
            "For a stock in eq/L say how many equivalents one formula unit has, as equivalents of the"
            " component.",
        )
    return SolutionSource(
        concentration=concentration,
        relative_uncertainty_percent=_optional_percent(
            raw.get("relative_uncertainty_percent"), f"{field}.relative_uncertainty_percent", 50.0
        ),
        density_g_per_ml=_density(raw.get("density"), f"{field}.density"),
    )


def _density(raw: object, field: str) -> float | None:
    if raw is None:
        return None
    accepted = ", ".join(DENSITY_UNITS)
    if not isinstance(raw, Mapping):
        raise InputError(field, "not_an_object", f"Give an object with value and unit ({accepted}).")
    number = parse_positive(raw.get("value"), f"{field}.value")
    unit = raw.get("unit")
    if not isinstance(unit, str) or unit not in DENSITY_UNITS:
        raise InputError(f"{field}.unit", "unknown_unit", f"Use one of these units: {accepted}.")
    value = float(number.value) * DENSITY_UNITS[unit]
    low, high = DENSITY_RANGE
    if not low <= value <= high:
        raise InputError(
            f"{field}.value",
            "out_of_range",
            f"A liquid has between {low:g} and {high:g} g/mL; check the unit.",
        )
    return value


def _lot(
    raw: object, field: str, substance: Substance | None, catalogue: Catalogue, shelf: Shelf
) -> LotSource:
    if raw is None or raw == "":
        raise InputError(field, "required", "Give the id or the code of the lot.")
    if isinstance(raw, bool) or not isinstance(raw, str | int):
        raise InputError(field, "not_text", "Give the id or the code of the lot as text.")
    # A whole number of thousands of digits can't be turned into text; no lot has such an id.
    wanted = raw.strip() if isinstance(raw, str) else str(raw) if abs(raw) < 10**30 else ""
    lot = find_lot(shelf, wanted)
    if lot is None:
        raise InputError(
            field,
            "unknown_lot",
            "No lot with this id or code can be drawn from; look it up on the stock page.",
        )
    if substance is not None:
        inside = catalogue.by_key(lot.substance_key)
        if not same_solute(substance, inside):
            raise InputError(
                field,
                "different_substance",
                f"Lot {lot.code} holds {inside.name}, which is another substance than {substance.name}.",
            )
    return LotSource(lot.id)


def find_lot(shelf: Shelf, wanted: str) -> ShelfLot | None:
    """The lot with this id or code; an id wins over a code that looks like it."""
    code = wanted.upper()
    by_code = None
    for lot in shelf.lots:
        if lot.id == wanted:
            return lot
        if lot.code.upper() == code and code:
            by_code = lot
    return by_code


def same_solute(one: Substance, other: Substance) -> bool:
    """Whether two forms put the same thing into solution, so that a mole of one serves for the other."""
    if one.key == other.key:
        return True
    if (one.family or one.key) != (other.family or other.key):
        return False
    return (
        parse_formula(parse_formula(one.formula).base).counts
        == parse_formula(parse_formula(other.formula).base).counts
    )
