"""Reads the contract's JSON into a :class:`~prepdesk.calc.model.PreparationRequest`.

Everything that is wrong is collected, each with the dotted path of its field, so that a form can show
all of it at once. Nothing is repaired: a value that can't be read is refused with what would be
accepted. Fields the contract does not name are ignored.
"""

from collections.abc import Mapping
from typing import Final, Literal

from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError, RequestRefused
from prepdesk.calc.model import Component, PreparationRequest, Shelf, Substance
from prepdesk.calc.request_fields import Reader, read_optional_percent, read_plain_number
from prepdesk.calc.request_sources import SourceReader
from prepdesk.calc.units import CONCENTRATION_UNITS, VOLUME_UNITS

TARGET_UNITS: Final = tuple(unit.symbol for unit in CONCENTRATION_UNITS)
MAX_COMPONENTS: Final = 12
MAX_NAME: Final = 200
MAX_EQUIVALENTS: Final = 20

WATER_WORDS: Final = frozenset({"", "water", "h2o", "deionised water", "distilled water", "deionized water"})


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
    reader = Reader()
    components = _components(reader, raw.get("components"), catalogue, shelf)
    volume = reader.quantity(raw.get("volume"), "volume", VOLUME_UNITS)
    tolerance = reader.read(
        lambda: read_optional_percent(raw.get("tolerance_percent"), "tolerance_percent", 50.0)
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


def _components(reader: Reader, raw: object, catalogue: Catalogue, shelf: Shelf) -> tuple[Component, ...]:
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
    reader: Reader, raw: object, field: str, catalogue: Catalogue, shelf: Shelf
) -> Component | None:
    if not isinstance(raw, Mapping):
        reader.errors.append(
            InputError(field, "not_an_object", "A component is an object with substance and target.")
        )
        return None
    before = len(reader.errors)
    substance = reader.read(lambda: _substance(raw.get("substance"), f"{field}.substance", catalogue))
    target = reader.quantity(raw.get("target"), f"{field}.target", CONCENTRATION_UNITS)
    equivalents = reader.read(lambda: _equivalents(raw.get("equivalents"), f"{field}.equivalents"))
    if target is not None and target.unit == "eq/L" and raw.get("equivalents") in (None, ""):
        reader.errors.append(
            InputError(
                f"{field}.equivalents",
                "required",
                "For eq/L say how many equivalents one formula unit has in your reaction, for example 2 for"
                " sulfuric acid that gives both its protons.",
            )
        )
    source = None
    if raw.get("source") is not None:
        source = SourceReader(reader, f"{field}.source", substance, catalogue, shelf, equivalents).read(
            raw["source"]
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


def _temperature(raw: object) -> float:
    if raw is None or raw == "":
        return 20.0
    value = read_plain_number(raw, "temperature_c")
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


def _equivalents(raw: object, field: str) -> int | None:
    if raw is None or raw == "":
        return None
    value = read_plain_number(raw, field)
    if value != value.to_integral_value() or not 1 <= value <= MAX_EQUIVALENTS:
        raise InputError(field, "out_of_range", f"Give a whole number from 1 to {MAX_EQUIVALENTS}.")
    return int(value)
