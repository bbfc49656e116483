"""What so many groups need: exact sums, never rounded down.

The sums are checked by hand; 10 % more for spills and rinsing is common practice.
"""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prepdesk.calc.typed import parse_number
from requests_app.drafts import volume_wanted


def wanted(sections, groups, volume, overage=None, unit="mL"):
    return volume_wanted(
        sections=sections,
        groups_per_section=groups,
        volume_per_group=parse_number(volume),
        volume_unit=unit,
        overage_percent=parse_number(overage) if overage else None,
    )


@pytest.mark.parametrize(
    ("arguments", "text", "working"),
    [
        ((3, 12, "25", "10"), "990", "3 sections × 12 groups × 25 mL + 10 % = 990 mL"),
        ((1, 1, "25"), "25", "1 section × 1 group × 25 mL = 25 mL"),
        ((2, 8, "2,50"), "40", "2 sections × 8 groups × 2.5 mL = 40 mL"),
        ((1, 3, "0.1", None, "L"), "0.3", "1 section × 3 groups × 0.1 L = 0.3 L"),
        (
            (3, 11, "15", "15"),
            "569.3",
            "3 sections × 11 groups × 15 mL + 15 % = 569.25 mL, rounded up to 569.3 mL",
        ),
        ((40, 200, "1000", "100"), "16000000", "40 sections × 200 groups × 1000 mL + 100 % = 16000000 mL"),
    ],
)
def test_the_sum_is_exact_and_written_as_a_person_would(arguments, text, working):
    volume = wanted(*arguments)
    assert (volume.text, volume.working) == (text, working)


@given(
    sections=st.integers(1, 40),
    groups=st.integers(1, 200),
    volume=st.decimals("0.001", "100000", places=3),
    overage=st.decimals("0", "100", places=2),
)
def test_the_volume_asked_for_is_never_short_and_hardly_more(sections, groups, volume, overage):
    asked = wanted(sections, groups, str(volume), str(overage) if overage else None)
    assert asked.exact == sections * groups * volume * (100 + overage) / 100
    assert asked.exact <= Decimal(asked.text) < asked.exact * Decimal("1.001")
