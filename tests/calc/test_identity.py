"""CAS numbers: check digit, and what spreadsheets make of them."""

import pytest

from prepdesk.calc.errors import InputError
from prepdesk.calc.identity import cas_from_text


@pytest.mark.parametrize(
    "typed",
    [
        "7758-02-3",
        " 7758-02-3 ",
        "7758\u201302\u20133",
        "CAS 7758-02-3",
        "CAS-No. 7758-02-3".replace("-No", " no"),
        "7758 - 02 - 3",
    ],
)
def test_a_cas_number_is_read_with_usual_dashes_and_blanks(typed):
    assert cas_from_text(typed) == "7758-02-3"


@pytest.mark.parametrize(
    "typed", ["sodium chloride", "NaCl", "CuSO4.5H2O", "1,10-phenanthroline", "2-propanol", ""]
)
def test_other_texts_are_no_cas_numbers(typed):
    assert cas_from_text(typed) is None


def test_a_wrong_check_digit_is_named():
    with pytest.raises(InputError) as refused:
        cas_from_text("7758-02-4", "substance")
    assert refused.value.code == "cas_check_digit"


@pytest.mark.parametrize(
    ("mangled", "was"),
    [
        ("03/02/7758", "7758-02-3"),
        ("02/03/7758", "7758-02-3"),
        ("04/11/7758", "7758-11-4"),
        ("03/04/6132", "6132-04-3"),
        ("7758-02-03", "7758-02-3"),
        ("7758-02-03 00:00:00", "7758-02-3"),
        ("1975-09-02", "75-09-2"),
        ("02.09.1975", "75-09-2"),
    ],
)
def test_a_cas_number_that_a_spreadsheet_made_a_date_is_named_and_offered(mangled, was):
    with pytest.raises(InputError) as refused:
        cas_from_text(mangled)
    assert refused.value.code == "cas_turned_into_date"
    assert was in refused.value.text


def test_a_date_that_was_no_cas_number_is_refused_without_an_offer():
    with pytest.raises(InputError) as refused:
        cas_from_text("31/12/2024")
    assert refused.value.code == "cas_turned_into_date"
    assert "may have been" not in refused.value.text
