"""Concentrations of unknowns: drawn evenly, apart where asked, and told by no code."""

import random
from collections import Counter
from decimal import Decimal
from itertools import combinations, pairwise

import pytest

from prepdesk.calc.typed import parse_positive
from requests_app.drawing_lots import (
    DoesNotFit,
    TooManyDigits,
    Values,
    draw_concentrations,
    most_that_fit,
    values_between,
)
from requests_app.sample_codes import ALPHABET, draw_code, is_sound, tidied

# Upper 0.1 % points of the chi-square distribution by degrees of freedom: NIST/SEMATECH e-Handbook of
# Statistical Methods, table 1.3.6.7.4.
CHI_SQUARE_0001 = {9: 27.877, 10: 29.588, 19: 43.820}
RANGE = values_between(parse_positive("0.100"), parse_positive("0.200"))


def chi_square(counts: Counter, cells: int) -> float:
    expected = sum(counts.values()) / cells
    return (
        sum((counts[cell] - expected) ** 2 for cell in counts) / expected + (cells - len(counts)) * expected
    )


def test_every_value_of_the_range_is_as_likely_as_any_other():
    values = values_between(parse_positive("0.10"), parse_positive("0.20"))
    drawn = Counter(draw_concentrations(values, 11_000, chance=random.Random(20)))
    assert set(drawn) == {f"0.{value}" for value in range(10, 21)}, "both ends and everything between"
    assert chi_square(drawn, 11) < CHI_SQUARE_0001[10]


def test_every_set_that_lies_apart_is_as_likely_as_any_other():
    """Drawn one after the other, the sets at the ends would come more often."""
    values, apart = Values(10, 16, -2), Decimal(20)
    allowed = [
        pair
        for pair in combinations(range(10, 17), 2)
        if Decimal(pair[1]) >= Decimal(pair[0]) * Decimal("1.2")
    ]
    assert len(allowed) == 5 + 3 + 2 + 1, "counted by hand, above 10, 11, 12 and 13"
    chance = random.Random(7)
    drawn: Counter = Counter()
    for _ in range(5000):
        pair = draw_concentrations(values, 2, apart_percent=apart, chance=chance)
        drawn[tuple(sorted(int(Decimal(one) * 100) for one in pair))] += 1
    assert set(drawn) <= set(allowed)
    assert chi_square(drawn, len(allowed)) < CHI_SQUARE_0001[len(allowed) - 1]


@pytest.mark.parametrize("seed", range(30))
def test_any_two_samples_lie_as_far_apart_as_asked_and_stay_in_the_range(seed):
    drawn = sorted(
        Decimal(text)
        for text in draw_concentrations(RANGE, 12, apart_percent=Decimal(4), chance=random.Random(seed))
    )
    assert drawn[0] >= Decimal("0.100")
    assert drawn[-1] <= Decimal("0.200")
    for lower, higher in pairwise(drawn):
        assert higher >= lower * Decimal("1.04")


def test_the_largest_count_that_fits_is_said_and_can_be_drawn():
    most = most_that_fit(RANGE, Decimal(10))
    # 0.100 × 1.1^7 = 0.195 and × 1.1^8 = 0.214; on the grid of 0.001 rounding up costs no further one.
    assert most == 8
    assert len(set(draw_concentrations(RANGE, most, apart_percent=Decimal(10)))) == most
    with pytest.raises(DoesNotFit) as refusal:
        draw_concentrations(RANGE, most + 1, apart_percent=Decimal(10))
    assert refusal.value.most == 8


def test_a_range_with_more_digits_than_glass_has_is_refused():
    with pytest.raises(TooManyDigits):
        values_between(parse_positive("0.100000"), parse_positive("0.200000"))
    with pytest.raises(TooManyDigits):
        values_between(parse_positive("1e-30"), parse_positive("1"))


def ranks(values: list[Decimal]) -> list[int]:
    order = sorted(range(len(values)), key=values.__getitem__)
    return [order.index(position) for position in range(len(values))]


@pytest.mark.parametrize("apart", [None, Decimal(2)])
def test_the_place_of_a_sample_says_nothing_about_its_concentration(apart):
    """Spearman's rank correlation over many sets: its mean is 0 and its variance 1/(n - 1), as for places
    that have nothing to do with values (Kendall and Gibbons, Rank Correlation Methods; from memory)."""
    count, sets, chance = 10, 600, random.Random(11)
    found = []
    for _ in range(sets):
        drawn = [
            Decimal(text) for text in draw_concentrations(RANGE, count, apart_percent=apart, chance=chance)
        ]
        squares = sum((place - rank) ** 2 for place, rank in enumerate(ranks(drawn)))
        found.append(1 - 6 * squares / (count * (count**2 - 1)))
    mean = sum(found) / sets
    variance = sum((one - mean) ** 2 for one in found) / (sets - 1)
    assert abs(mean) < 3.3 * (1 / (count - 1) / sets) ** 0.5
    assert variance == pytest.approx(1 / (count - 1), rel=0.2)


def test_without_a_source_the_operating_system_draws():
    assert draw_concentrations(RANGE, 30) != draw_concentrations(RANGE, 30)


# --- codes ----------------------------------------------------------------------------------------
def test_a_misread_character_and_two_exchanged_ones_are_told():
    """ISO/IEC 7064, MOD 37,36 finds every single error and every exchange of neighbours but a few."""
    chance = random.Random(3)
    for _ in range(40):
        code = draw_code(chance)
        assert is_sound(code)
        assert set(code) <= {*ALPHABET, "-"}
        for place in (0, 1, 2, 3, 5):
            for other in ALPHABET:
                wrong = code[:place] + other + code[place + 1 :]
                assert is_sound(wrong) == (wrong == code)


def test_a_code_is_read_however_it_is_typed():
    code = draw_code()
    assert tidied(f" {code.lower().replace('-', ' ')} ") == code
    assert not is_sound(tidied("K7QF"))
    assert not is_sound(tidied(""))
