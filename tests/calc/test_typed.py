"""Numbers as typed. A browser that turns "2,5" into 25 makes a tenfold error; this parser must not."""

from contextlib import suppress
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import parse_number, parse_positive


@pytest.mark.parametrize(
    ("typed", "value", "last_digit"),
    [
        ("2", "2", 0),
        ("2.0", "2.0", -1),
        ("2.00", "2.00", -2),
        ("2,40", "2.40", -2),
        (" 2.40 ", "2.40", -2),
        ("2 500", "2500", 0),
        ("2\u202f500,5", "2500.5", -1),
        (".5", "0.5", -1),
        ("5.", "5", 0),
        ("1e3", "1000", 3),
        ("1.5e-3", "0.0015", -4),
        ("+5", "5", 0),
        ("0.000", "0.000", -3),
        ("\u22125", "-5", 0),
    ],
)
def test_a_typed_number_keeps_its_value_and_its_digits(typed, value, last_digit):
    number = parse_number(typed)
    assert number.value == Decimal(value)
    assert number.last_digit == last_digit
    assert number.text == typed.strip()


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ("", "required"),
        ("   ", "required"),
        (None, "required"),
        ("abc", "not_a_number"),
        ("12abc", "not_a_number"),
        ("NaN", "not_a_number"),
        ("sNaN", "not_a_number"),
        ("Infinity", "not_a_number"),
        ("-inf", "not_a_number"),
        ("0x10", "not_a_number"),
        ("1_000", "not_a_number"),
        ("１２", "not_a_number"),
        ("١٢", "not_a_number"),
        ("²", "not_a_number"),
        (".", "not_a_number"),
        ("-", "not_a_number"),
        ("e5", "not_a_number"),
        ("1e", "not_a_number"),
        ("--1", "not_a_number"),
        ("1.2.3", "two_separators"),
        ("1,000,000", "two_separators"),
        ("1.000,5", "two_separators"),
        ("1e400", "out_of_range"),
        ("1e-400", "out_of_range"),
        ("1e99999", "not_a_number"),
        ("1" * 41, "too_long"),
        ("9" * 10_000_000, "too_long"),
        ("1" * 39, "out_of_range"),
        (2.4, "not_text"),
        (True, "not_text"),
        (["2"], "not_text"),
    ],
)
def test_anything_else_is_refused_with_words_at_its_field(typed, code):
    with pytest.raises(InputError) as refusal:
        parse_number(typed, "components.0.target.value")
    assert refusal.value.code == code
    assert refusal.value.field == "components.0.target.value"
    assert refusal.value.text.endswith((".", "5"))


@pytest.mark.parametrize("typed", ["0", "-1", "0.00", "-0"])
def test_an_amount_must_be_more_than_nothing(typed):
    with pytest.raises(InputError) as refusal:
        parse_positive(typed)
    assert refusal.value.code == "not_positive"


def test_half_a_unit_of_the_last_digit_is_what_the_digits_promise():
    assert parse_number("2.00").half_last_digit == Decimal("0.005")
    assert parse_number("2").half_last_digit == Decimal("0.5")
    assert parse_number("1.5e-3").half_last_digit == Decimal("0.00005")


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**9), max_value=10**9, places=6))
def test_what_is_printed_is_read_back_the_same_with_comma_or_point(value):
    text = f"{value:f}"
    assert parse_number(text).value == value
    assert parse_number(text.replace(".", ",")).value == value


@given(st.text(max_size=60))
def test_no_text_whatever_makes_the_parser_raise_anything_but_its_own_error(text):
    with suppress(InputError):
        assert abs(parse_number(text).value) < Decimal("1e31")
