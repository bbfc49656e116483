"""Reading what a component is taken from: a solid, a liquid reagent, a stock solution or a lot."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError
from prepdesk.calc.formula import Formula, parse_formula
from prepdesk.calc.model import (
    LiquidSource,
    LotSource,
    Shelf,
    ShelfLot,
    SolidSource,
    SolutionSource,
    Source,
    Substance,
)
from prepdesk.calc.request_fields import (
    SOLID_DENSITY_RANGE,
    Reader,
    read_optional_percent,
    read_percent,
)
from prepdesk.calc.units import CONCENTRATION_UNITS


@dataclass(frozen=True, slots=True)
class SourceReader:
    """Reads the source of one component.

    Attributes:
        reader: collects the errors.
        field: path of the source, as ``components.0.source``.
        substance: of the component, None where it could not be read.
        catalogue, shelf: what a lot is looked up in.
        equivalents: of the component, for a stock in eq/L.
    """

    reader: Reader
    field: str
    substance: Substance | None
    catalogue: Catalogue
    shelf: Shelf
    equivalents: int | None

    def read(self, raw: object) -> Source | None:
        """The source, or None after its errors were kept."""
        if not isinstance(raw, Mapping):
            self._refuse("", "not_an_object", "A source is an object with kind and its fields.")
            return None
        kind = raw.get("kind")
        kinds: dict[str, Callable[[Mapping[str, object]], Source | None]] = {
            "solid": self._solid,
            "liquid": self._liquid,
            "solution": self._solution,
            "lot": self._lot,
        }
        if not isinstance(kind, str) or kind not in kinds:
            self._refuse("kind", "unknown_choice", "Use one of: solid, liquid, solution, lot.")
            return None
        before = len(self.reader.errors)
        source = kinds[kind](raw)
        return source if len(self.reader.errors) == before else None

    def _refuse(self, name: str, code: str, text: str) -> None:
        self.reader.refuse(self._path(name), code, text)

    def _path(self, name: str) -> str:
        return f"{self.field}.{name}" if name else self.field

    def _optional_percent(self, raw: Mapping[str, object], name: str, high: float) -> float | None:
        return self.reader.read(lambda: read_optional_percent(raw.get(name), self._path(name), high))

    def _solid(self, raw: Mapping[str, object]) -> Source | None:
        formula = self.reader.read(lambda: self._formula(raw.get("formula")))
        assay = self._optional_percent(raw, "assay_percent", 100.0)
        tolerance = self._optional_percent(raw, "assay_tolerance_percent", 50.0)
        density = self.reader.density(raw.get("density"), self._path("density"), SOLID_DENSITY_RANGE)
        return None if formula is None else SolidSource(formula.plain, assay, tolerance, density)

    def _formula(self, text: object) -> Formula:
        path = self._path("formula")
        if text is None or text == "":
            if self.substance is None:
                raise InputError(path, "required", "Give the formula on the bottle, as CuSO4.5H2O.")
            text = self.substance.formula
        if not isinstance(text, str):
            raise InputError(path, "not_text", "Give the formula as text, as CuSO4.5H2O.")
        formula = parse_formula(text, path)
        if self.substance is not None:
            wanted = parse_formula(self.substance.formula)
            if parse_formula(wanted.base).counts != parse_formula(formula.base).counts:
                raise InputError(
                    path,
                    "different_substance",
                    f"{formula.pretty} is another substance than {wanted.pretty}; only its anhydrous or"
                    " hydrated forms can serve.",
                )
        return formula

    def _liquid(self, raw: Mapping[str, object]) -> Source | None:
        percent = self.reader.read(lambda: self._mass_percent(raw.get("mass_percent")))
        density = self.reader.density(raw.get("density"), self._path("density"))
        tolerance = self._optional_percent(raw, "mass_percent_tolerance", 50.0)
        return None if percent is None else LiquidSource(percent, density, tolerance)

    def _mass_percent(self, raw: object) -> float:
        path = self._path("mass_percent")
        if raw is None or raw == "":
            usual = (
                self.substance.assay_percent if self.substance and self.substance.state != "solid" else None
            )
            name = self.substance.name if self.substance else "the liquid"
            example = (
                f"the usual {name} has {usual:g}"
                if usual
                else "read it off the label, for example 37 for 37 %"
            )
            raise InputError(
                path,
                "required",
                f"Say how strong {name} is, in grams of it per 100 g of the liquid: {example}. Without it"
                " nothing can be measured.",
            )
        return read_percent(raw, path, 100.0)

    def _solution(self, raw: Mapping[str, object]) -> Source | None:
        concentration = self.reader.quantity(
            raw.get("concentration"), self._path("concentration"), CONCENTRATION_UNITS
        )
        uncertainty = self._optional_percent(raw, "relative_uncertainty_percent", 50.0)
        density = self.reader.density(raw.get("density"), self._path("density"))
        if concentration is None:
            return None
        if concentration.unit == "eq/L" and self.equivalents is None:
            self._refuse(
                "concentration.unit",
                "required",
                "For a stock in eq/L say how many equivalents one formula unit has, as equivalents of the"
                " component.",
            )
        return SolutionSource(concentration, uncertainty, density)

    def _lot(self, raw: Mapping[str, object]) -> Source | None:
        return self.reader.read(lambda: self._lot_named(raw.get("id")))

    def _lot_named(self, raw: object) -> LotSource:
        path = self._path("id")
        if raw is None or raw == "":
            raise InputError(path, "required", "Give the id or the code of the lot.")
        if isinstance(raw, bool) or not isinstance(raw, str | int):
            raise InputError(path, "not_text", "Give the id or the code of the lot as text.")
        # A whole number of thousands of digits can't be turned into text; no lot has such an id.
        wanted = raw.strip() if isinstance(raw, str) else str(raw) if abs(raw) < 10**30 else ""
        lot = find_lot(self.shelf, wanted)
        if lot is None:
            raise InputError(
                path,
                "unknown_lot",
                "No lot with this id or code can be drawn from; look it up on the stock page.",
            )
        if self.substance is not None:
            inside = self.catalogue.by_key(lot.substance_key)
            if not same_solute(self.substance, inside):
                raise InputError(
                    path,
                    "different_substance",
                    f"Lot {lot.code} holds {inside.name}, which is another substance than"
                    f" {self.substance.name}.",
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
