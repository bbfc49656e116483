"""Formulas and amounts as they are written on a sheet."""

from decimal import Decimal

import pytest

from prepdesk.core.notation import apparatus_words, formula_pieces, number_words, size_words, together
from prepdesk.core.templatetags.prepdesk import chem


@pytest.mark.parametrize(
    ("formula", "html"),
    [
        # Subscripts, hydrate dot and charge as in the IUPAC Red Book 2005, IR-4.
        ("NaCl", "NaCl"),
        ("CuSO4.5H2O", "CuSO<sub>4</sub>·5H<sub>2</sub>O"),
        ("CuSO4*5H2O", "CuSO<sub>4</sub>·5H<sub>2</sub>O"),
        ("CuSO₄·5H₂O", "CuSO<sub>4</sub>·5H<sub>2</sub>O"),
        ("CaSO4.0.5H2O", "CaSO<sub>4</sub>·0.5H<sub>2</sub>O"),
        ("Fe(NH4)2(SO4)2.6H2O", "Fe(NH<sub>4</sub>)<sub>2</sub>(SO<sub>4</sub>)<sub>2</sub>·6H<sub>2</sub>O"),
        ("SO4^2-", "SO<sub>4</sub><sup>2−</sup>"),
        ("SO₄²⁻", "SO<sub>4</sub><sup>2−</sup>"),
        ("NH4+", "NH<sub>4</sub><sup>+</sup>"),
        (
            "C10H14N2Na2O8.2H2O",
            "C<sub>10</sub>H<sub>14</sub>N<sub>2</sub>Na<sub>2</sub>O<sub>8</sub>·2H<sub>2</sub>O",
        ),
        ("2H2O", "2H<sub>2</sub>O"),
        ("", ""),
    ],
)
def test_a_formula_is_set_as_a_chemist_writes_it(formula, html):
    assert chem(formula) == html


@pytest.mark.parametrize(
    "hostile", ["<script>alert(1)</script>", '" onmouseover="x', "Na<b>2</b>", "{{7*7}}", "&amp;"]
)
def test_a_formula_can_not_carry_markup(hostile):
    html = (
        str(chem(hostile))
        .replace("<sub>", "")
        .replace("</sub>", "")
        .replace("<sup>", "")
        .replace("</sup>", "")
    )
    assert "<" not in html
    assert ">" not in html
    assert '"' not in html


def test_no_character_of_a_formula_is_lost():
    for formula in ("K2Cr2O7", "Na2S2O3.5H2O", "C8H5KO4", "[Cu(NH3)4]SO4", "H2C2O4.2H2O", "x ~ y"):
        assert "".join(part for _, part in formula_pieces(formula)).replace("·", ".") == formula


def test_numbers_keep_their_digits_and_show_no_exponent():
    assert number_words("2.40") == "2.40"
    assert number_words(Decimal("1E-7")) == "0.0000001"
    assert number_words(Decimal("2.50")) == "2.50"
    assert number_words(1e-5) == "0.00001"


def test_apparatus_is_named_with_size_and_class():
    flask = {"type": "one-mark flask", "nominal": {"value": "500", "unit": "mL"}, "class": "A"}
    assert apparatus_words(flask) == "500 mL one-mark flask, class A"
    balance = {"type": "balance", "readability": {"value": "0.01", "unit": "g"}, "class": ""}
    assert apparatus_words(balance) == "balance, 0.01 g"
    assert apparatus_words(None) == ""


def test_a_number_stays_with_its_unit():
    assert together("Close 1.0 mol/L of 96 % w/w, stage 2") == (
        "Close 1.0\u00a0mol/L of 96\u00a0% w/w, stage\u00a02"
    )
    assert together("2 grams, 5 Litres, 3 molecules") == "2 grams, 5 Litres, 3 molecules"


def test_large_vessels_are_named_in_litres():
    assert size_words({"value": "10000", "unit": "mL"}) == "10 L"
    assert size_words({"value": "2500", "unit": "mL"}) == "2.5 L"
    assert size_words({"value": "1000", "unit": "mL"}) == "1000 mL"
