"""Units: exactly those of the contract, with factors a person can check by hand."""

import pytest

from prepdesk.calc.errors import InputError
from prepdesk.calc.units import (
    CONCENTRATION_UNITS,
    MASS_UNITS,
    UNITS,
    VOLUME_UNITS,
    factor,
    read_unit,
    to_g,
    to_ml,
)


@pytest.mark.parametrize(
    ("unit", "in_base"),
    [
        ("mol/L", 1),
        ("mmol/L", 1e-3),
        ("umol/L", 1e-6),
        ("mol/kg", 1),
        ("eq/L", 1),
        ("g/L", 1),
        ("mg/L", 1e-3),
        ("ug/mL", 1e-3),
        ("% w/w", 0.01),
        ("% w/v", 10),
        ("% v/v", 0.01),
        ("mg/kg", 1e-6),
        ("g", 1),
        ("mg", 1e-3),
        ("kg", 1000),
        ("ug", 1e-6),
        ("mL", 1),
        ("L", 1000),
        ("uL", 1e-3),
    ],
)
def test_a_unit_has_its_factor_to_the_last_digit(unit, in_base):
    assert factor(unit) == in_base


def test_the_concentration_units_are_those_of_the_contract():
    assert [unit.symbol for unit in CONCENTRATION_UNITS] == [
        "mol/L", "mmol/L", "umol/L", "mol/kg", "eq/L", "g/L", "mg/L", "ug/mL",
        "% w/w", "% w/v", "% v/v", "mg/kg",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "symbol"),
    [("µmol/L", "umol/L"), ("μmol/L", "umol/L"), ("µg/mL", "ug/mL"), ("%w/w", "% w/w"), (" mol/L ", "mol/L")],
)
def test_the_greek_letter_and_the_micro_sign_are_the_same_unit(typed, symbol):
    assert read_unit(typed, CONCENTRATION_UNITS).symbol == symbol


@pytest.mark.parametrize(
    "typed", ["M", "N", "ppm", "mg%", "ML", "%", "g/100 mL", "1 g/100 mL", "mol", "", "g", None]
)
def test_a_unit_that_could_mean_something_else_is_refused_with_the_choices(typed):
    with pytest.raises(InputError) as refused:
        read_unit(typed, CONCENTRATION_UNITS, "target.unit")
    assert refused.value.code == "unknown_unit"
    assert refused.value.field == "target.unit"
    assert "mol/L" in refused.value.text


def test_a_mass_is_no_volume():
    assert to_g(2.5, "kg") == 2500
    assert to_ml(250, "uL") == 0.25
    with pytest.raises(InputError):
        to_g(1, "mL")
    with pytest.raises(InputError):
        to_ml(1, "g")
    with pytest.raises(InputError):
        factor("furlong")


def test_every_spelling_belongs_to_one_unit():
    spellings = [spelling for unit in UNITS.values() for spelling in (unit.symbol, *unit.aliases)]
    assert len(spellings) == len(set(spellings))
    assert len(UNITS) == len(CONCENTRATION_UNITS) + len(MASS_UNITS) + len(VOLUME_UNITS)
