"""Results are shown as the GUM and QUAM print theirs."""

from decimal import Decimal

from prepdesk.calc.digits import shown_figure, with_uncertainty
from tests.published.values import each


@each("rounding.toml", "what")
def test_a_result_is_shown_with_the_digits_it_is_published_with(row):
    shown = with_uncertainty(Decimal(row["value"]), Decimal(row["uncertainty"]))
    assert shown == (row["value_shown"], row["uncertainty_shown"])


@each("rounding.toml", "what")
def test_a_relative_uncertainty_leads_to_the_same_digits(row):
    percent = 100 * Decimal(row["uncertainty"]) / Decimal(row["value"])
    assert shown_figure(row["value"], f"{percent:.6f}") == row["value_shown"]
