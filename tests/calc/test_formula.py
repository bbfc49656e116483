"""Formulas as people type them: what is read, what is refused, and that nothing is read two ways."""

from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.errors import InputError
from prepdesk.calc.formula import _WITHOUT_WEIGHT, SYMBOLS, parse_formula

PENTAHYDRATE = {"Cu": 1, "S": 1, "O": 9, "H": 10}


@pytest.mark.parametrize(
    "typed",
    [
        "CuSO4.5H2O",
        "CuSO4·5H2O",
        "CuSO4•5H2O",
        "CuSO4⋅5H2O",
        "CuSO4*5H2O",
        "CuSO₄·5H₂O",
        "CuSO4 · 5 H2O",
        "CuSO4 . 5H2O",
        "CuSO4 × 5 H2O",
        "CuSO4.5(H2O)",
        "  CuSO4.5H2O  ",
    ],
)
def test_every_usual_spelling_of_a_hydrate_is_the_same_hydrate(typed):
    # General-purpose parsers read some of these as 185.6, 433.6 or 833.6 g/mol instead of 249.7.
    formula = parse_formula(typed)
    assert dict(formula.counts) == PENTAHYDRATE
    assert formula.water == 5
    assert (formula.base, formula.plain, formula.pretty) == ("CuSO4", "CuSO4.5H2O", "CuSO₄·5H₂O")


@pytest.mark.parametrize("typed", ["CaSO4.1/2H2O", "CaSO4.0.5H2O", "CaSO4·½H2O".replace("½", "1/2")])
def test_half_a_water_is_half_an_oxygen(typed):
    formula = parse_formula(typed)
    assert formula.water == Fraction(1, 2)
    assert formula.counts["O"] == Fraction(9, 2)
    assert formula.counts["H"] == 1
    assert formula.plain == "CaSO4.0.5H2O"
    assert formula.pretty == "CaSO₄·½H₂O"
    assert molar_mass(typed).g_per_mol == pytest.approx(145.14, abs=0.01)


def test_water_in_brackets_is_part_of_the_formula_and_no_hydrate():
    formula = parse_formula("CuSO4(H2O)5")
    assert formula.water == 0
    assert dict(formula.counts) == PENTAHYDRATE
    assert formula.base == "CuSO4(H2O)5"


def test_a_double_salt_keeps_its_second_salt():
    assert dict(parse_formula("CaCO3.MgCO3").counts) == {"Ca": 1, "Mg": 1, "C": 2, "O": 6}
    carnallite = parse_formula("KCl.MgCl2.6H2O")
    assert (carnallite.base, carnallite.water) == ("KCl.MgCl2", 6)
    assert dict(parse_formula("K2SO4.2MgSO4").counts) == {"K": 2, "Mg": 2, "S": 3, "O": 12}


def test_a_leading_number_belongs_to_the_first_part_of_a_compound():
    formula = parse_formula("3CdSO4.8H2O")
    assert dict(formula.counts) == {"Cd": 3, "S": 3, "O": 20, "H": 16}
    assert parse_formula("CdSO4.8/3H2O").counts["H"] == Fraction(16, 3)


@pytest.mark.parametrize(
    ("typed", "charge", "pretty"),
    [
        ("SO4^2-", -2, "SO₄²⁻"),
        ("SO4^-2", -2, "SO₄²⁻"),
        ("SO4(2-)", -2, "SO₄²⁻"),
        ("SO₄²⁻", -2, "SO₄²⁻"),
        ("NH4+", 1, "NH₄⁺"),
        ("NH4^+", 1, "NH₄⁺"),
        ("Cl-", -1, "Cl⁻"),
        ("Cl−", -1, "Cl⁻"),
        ("Fe^3+", 3, "Fe³⁺"),
        ("[Cu(NH3)4]2+", 2, "[Cu(NH₃)₄]²⁺"),
        ("[Fe(CN)6]4-", -4, "[Fe(CN)₆]⁴⁻"),
        ("Cr2O7^2-", -2, "Cr₂O₇²⁻"),
    ],
)
def test_a_charge_is_read_and_shown_as_a_superscript(typed, charge, pretty):
    formula = parse_formula(typed)
    assert (formula.charge, formula.pretty) == (charge, pretty)


def test_nested_brackets_multiply():
    assert dict(parse_formula("K3[Fe(CN)6]").counts) == {"K": 3, "Fe": 1, "C": 6, "N": 6}
    assert dict(parse_formula("{[Co(NH3)5]2(OH)}Cl5").counts) == {"Co": 2, "N": 10, "H": 31, "O": 1, "Cl": 5}


def test_capitals_decide_between_cobalt_and_carbon_monoxide():
    assert dict(parse_formula("Co").counts) == {"Co": 1}
    assert dict(parse_formula("CO").counts) == {"C": 1, "O": 1}


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ("", "Type a formula"),
        ("   ", "Type a formula"),
        ("CuSO4 5H2O", "CuSO4.5H2O"),
        ("CuSO4.xH2O", "leaves its water open"),
        ("FeCl3·nH2O", "leaves its water open"),
        ("FeCl3(H2O)x", "leaves its water open"),
        ("Xx2", "is no element"),
        ("NaCL", "no element"),
        ("nacl", "can't begin"),
        ("CuS04", "letter O"),
        ("NaCl.2H20", "letter O"),
        ("Na(Cl", "brackets"),
        ("NaCl)", "brackets"),
        ("(NaCl]", "brackets"),
        ("()", "brackets"),
        ("C99999", "10000"),
        ("(C9999)9999", "10000"),
        ("C" * 201, "200 characters"),
        ("(" * 150 + "C" + ")" * 150, "200 characters"),
        ("H2O4.5", "point or slash"),
        ("O4.5", "point or slash"),
        ("WO2.9", "point or slash"),
        ("NaCl..5H2O", "point or slash"),
        ("CuSO4.", "point or slash"),
        ("CuSO4,5H2O", "no element symbol"),
        ("Na1.5Cl", "decimal count"),
        ("Cu1.5(OH)2", "decimal count"),
        ("NaCl.5Br", "What follows the point"),
        ("2NaCl", "begins with a number"),
        ("5H2O", "begins with a number"),
        ("CuSO4.0H2O", "zero times"),
        ("CuSO4.1/0H2O", "divided by zero"),
        ("CuSO4.H2O.4H2O", "water twice"),
        ("SO42-", "two ways"),
        ("Cu2+", "two ways"),
        ("Na+Cl-", "charge"),
        ("+", "charge"),
        ("KHP", "KHC8H4O4"),
        ("NaOAc", "CH3COO"),
        ("No2", "capitals"),
        ("Nh4Cl", "capitals"),
        ("NaСl", "no element symbol"),  # the second letter is Cyrillic
        ("CuSO4.５H2O", "point or slash"),  # a full-width digit
        ("²H2O", "can't begin"),
    ],
)
def test_what_can_be_read_in_two_ways_is_refused_with_words(typed, says):
    with pytest.raises(InputError) as refused:
        parse_formula(typed, "components.0.substance")
    assert refused.value.code == "not_a_formula"
    assert refused.value.field == "components.0.substance"
    assert says in refused.value.text


def test_anything_but_text_is_refused():
    with pytest.raises(InputError, match="as text"):
        parse_formula(5)  # type: ignore[arg-type]


# --- properties: whatever is read can be written and read again ---------------------------------
WEIGHABLE = sorted(symbol for symbol in SYMBOLS if symbol not in _WITHOUT_WEIGHT)
ABBREVIATIONS = {"KHP", "PBS", "NBS", "PVP"}
atoms = st.tuples(st.sampled_from(WEIGHABLE), st.integers(1, 40)).map(
    lambda it: it[0] + (str(it[1]) if it[1] > 1 else "")
)
flat = st.lists(atoms, min_size=1, max_size=5).map("".join)
bracketed = st.tuples(flat, st.sampled_from(["()", "[]"]), st.integers(2, 9)).map(
    lambda it: f"{it[1][0]}{it[0]}{it[1][1]}{it[2]}"
)
bodies = st.lists(st.one_of(flat, bracketed), min_size=1, max_size=3).map("".join)
waters = st.one_of(
    st.just(Fraction(0)),
    st.integers(1, 24).map(Fraction),
    st.sampled_from([Fraction(1, 2), Fraction(8, 3), Fraction(3, 2)]),
)


def with_water(body: str, water: Fraction) -> str:
    if water == 0:
        return body
    number = (
        ""
        if water == 1
        else (f"{water.numerator}/{water.denominator}" if water.denominator > 1 else str(water))
    )
    return f"{body}.{number}H2O"


def outcome(text):
    """What a text is read as, and why it is refused; one of the two."""
    try:
        return parse_formula(text), None
    except InputError as refused:
        return None, refused


@given(bodies, waters)
def test_a_formula_survives_being_written_and_read_again(body, water):
    assume(body not in ABBREVIATIONS)
    formula = parse_formula(with_water(body, water))
    again = parse_formula(formula.plain)
    assert again == formula
    assert dict(again.counts) == dict(formula.counts)
    assert parse_formula(formula.pretty.replace("½", "1/2")).plain == formula.plain


@given(bodies, st.integers(1, 24))
def test_the_water_of_a_hydrate_adds_its_mass(body, water):
    assume(body not in ABBREVIATIONS)
    dry, wet = parse_formula(body), parse_formula(with_water(body, Fraction(water)))
    added = molar_mass(wet).g_per_mol - molar_mass(dry).g_per_mol
    assert added == pytest.approx(water * molar_mass("H2O").g_per_mol, rel=1e-9)
    assert wet.base == dry.plain


@given(flat, flat)
def test_molar_masses_add_up(first, second):
    assume(not {first, second} & ABBREVIATIONS)
    together = molar_mass(f"({first})2({second})3").g_per_mol
    apart = 2 * molar_mass(first).g_per_mol + 3 * molar_mass(second).g_per_mol
    assert together == pytest.approx(apart, rel=1e-9)


@given(st.text(max_size=40))
def test_any_text_is_either_read_or_refused_by_name(text):
    formula, refused = outcome(text)
    if refused:
        assert refused.code == "not_a_formula"
        assert refused.text.endswith(".")
    else:
        assert parse_formula(formula.plain).plain == formula.plain
