"""Orders put together: no batch breaks its window or its vessel, and no fewer batches would do.

The bounds here are worked out another way than in the code: by brute force over all partitions for small
cases, and for a term by stretches of days that can share no batch, each holding so many vessels' worth.
"""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from decimal import Decimal
from itertools import permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.planner.bench import bench_of
from prepdesk.calc.planner.vessels import largest_ml
from requests_app.consolidating import Group, Want, groups_of, may_be_one
from requests_app.shelf_life import shelf_life

MONDAY = date(2026, 9, 7)


def _want(key: int, day: int, volume: str = "1000", keeps: int = 30, solution: str = "a") -> Want:
    return Want(key, solution, Decimal(volume), MONDAY + timedelta(days=day), keeps)


def _keys(groups: Sequence[Group]) -> list[list[int]]:
    return [[want.key for want in group] for group in groups]


def _wrong(groups: Sequence[Group], most: Decimal | None, together: int | None) -> list[str]:
    """What a group breaks, by the rules as written for people."""
    found = []
    for group in groups:
        if len({want.solution for want in group}) != 1:
            found.append("two solutions in one batch")
        made_on = min(want.due_on for want in group)
        for want in group:
            if want.due_on > made_on + timedelta(days=want.keeps_days):
                found.append(f"order {want.key} gets an expired bottle")
            if together is not None and (want.due_on - made_on).days > together:
                found.append(f"order {want.key} lies further apart than the rule allows")
        if len(group) > 1 and most is not None and sum(want.volume_ml for want in group) > most:
            found.append("more than the vessel holds")
        if len(group) > 1 and any(want.alone for want in group):
            found.append("an order kept apart is with others")
    return found


# --- small cases by hand --------------------------------------------------------------------------
def test_orders_of_one_week_are_one_batch() -> None:
    assert _keys(groups_of([_want(3, 4), _want(1, 0), _want(2, 2)])) == [[1, 2, 3]]


def test_another_solution_is_another_batch() -> None:
    assert _keys(groups_of([_want(1, 0), _want(2, 0, solution="b")])) == [[1], [2]]


def test_the_label_must_still_be_good_at_the_last_of_them() -> None:
    # Ascorbic acid keeps one day: made on Monday it is good on Tuesday, and not on Wednesday.
    keeps = shelf_life(["ascorbic-acid"]).days
    days = [_want(day, day, keeps=keeps) for day in range(3)]
    assert _keys(groups_of(days)) == [[0, 1], [2]]


def test_the_departments_rule_narrows_the_window() -> None:
    week = [_want(day, day) for day in range(5)]
    assert _keys(groups_of(week, together_days=2)) == [[0, 1, 2], [3, 4]]
    assert _keys(groups_of(week, together_days=0)) == [[0], [1], [2], [3], [4]]


def test_a_batch_holds_no_more_than_the_vessel() -> None:
    wants = [_want(1, 0, "600"), _want(2, 0, "500"), _want(3, 1, "400"), _want(4, 1, "500")]
    assert _keys(groups_of(wants, most_ml=Decimal(1000))) == [[1, 3], [2, 4]]


def test_what_is_larger_than_the_vessel_is_left_to_the_plan_by_itself() -> None:
    wants = [_want(1, 0, "5000"), _want(2, 0, "500")]
    assert _keys(groups_of(wants, most_ml=Decimal(1000))) == [[1], [2]]


def test_an_order_kept_apart_stays_apart() -> None:
    apart = Want(2, "a", Decimal(1000), MONDAY, 30, alone=True)
    assert _keys(groups_of([_want(1, 0), apart, _want(3, 0)])) == [[1, 3], [2]]


def test_why_orders_cannot_be_one_batch_is_named() -> None:
    one, other = _want(1, 0), _want(2, 8)
    asked = {"most_ml": Decimal(10_000), "together_days": None}
    assert may_be_one([one, other], **asked) == ""
    assert may_be_one([one, _want(2, 0, solution="b")], **asked) == "solution"
    assert may_be_one([_want(1, 0, keeps=7), _want(2, 8, keeps=7)], **asked) == "days"
    assert may_be_one([one, other], most_ml=Decimal(10_000), together_days=7) == "days"
    assert may_be_one([one, other], most_ml=Decimal(1999), together_days=None) == "volume"
    assert may_be_one([one, Want(2, "a", Decimal(1), MONDAY, 30, alone=True)], **asked) == "alone"


# --- the fewest, by brute force ------------------------------------------------------------------------
@st.composite
def _small_cases(draw: st.DrawFn) -> tuple[list[Want], Decimal | None, int | None]:
    keeps = draw(st.integers(0, 6))
    most = draw(st.none() | st.integers(4, 12))
    count = draw(st.integers(1, 7))
    wants = [
        _want(key, draw(st.integers(0, 9)), str(draw(st.integers(1, most or 12))), keeps)
        for key in range(count)
    ]
    return wants, None if most is None else Decimal(most), draw(st.none() | st.integers(0, 6))


def _partitions(items: list[Want]) -> Iterator[list[list[Want]]]:
    if not items:
        yield []
        return
    first, *rest = items
    for smaller in _partitions(rest):
        yield [[first], *smaller]
        for at, group in enumerate(smaller):
            yield [*smaller[:at], [first, *group], *smaller[at + 1 :]]


def _fewest(wants: list[Want], most: Decimal | None, together: int | None) -> int:
    return min(
        len(one) for one in _partitions(wants) if not _wrong([tuple(group) for group in one], most, together)
    )


@given(_small_cases())
@settings(max_examples=120, deadline=None)
def test_no_partition_has_fewer_batches(case: tuple[list[Want], Decimal | None, int | None]) -> None:
    wants, most, together = case
    found = groups_of(wants, most_ml=most, together_days=together)
    assert not _wrong(found, most, together)
    assert sorted(want.key for group in found for want in group) == sorted(want.key for want in wants)
    assert len(found) == _fewest(wants, most, together)


@given(_small_cases(), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_the_sequence_of_the_orders_changes_nothing(case, random) -> None:
    wants, most, together = case
    shuffled = list(wants)
    random.shuffle(shuffled)
    asked = {"most_ml": most, "together_days": together}
    assert groups_of(shuffled, **asked) == groups_of(wants, **asked)


def test_simple_fillings_can_be_wrong_and_are_put_right() -> None:
    # A textbook case: 4+4+2, 4+4+2, 3+3+2+2 fill three batches of 10 to the brim, in whatever sequence.
    volumes = ["4", "4", "2", "4", "4", "2", "3", "3", "2", "2"]
    for turned in list(permutations(volumes))[:: 10_007 * 3]:
        wants = [_want(key, 0, volume) for key, volume in enumerate(turned)]
        assert len(groups_of(wants, most_ml=Decimal(10))) == 3


# --- a term -------------------------------------------------------------------------------------------
# (family, volume for each group in mL, weeks of the term): an invented course, of the usual kind.
_COURSE = (
    ("sodium-hydroxide", 60, (2, 3, 5, 6, 9)),
    ("hydrochloric-acid", 50, (2, 3, 4, 9, 12)),
    ("potassium-permanganate", 40, (7, 8)),
    ("sodium-thiosulfate", 50, (10, 11)),
    ("iodine", 25, (10, 11)),
    ("ascorbic-acid", 30, (11,)),
    ("iron-ii-sulfate", 35, (7, 8)),
    ("silver-nitrate", 20, (4, 5)),
    ("ammonia", 15, (6, 13)),
    ("sodium-chloride", 100, (1, 4, 5, 14)),
    ("copper-ii-sulfate", 25, (6, 13, 14)),
    ("hydrogen-peroxide", 20, (12, 13)),
)


def _term() -> dict[str, list[Want]]:
    """60 sections over five days, 14 weeks, 9 to 14 groups, ten per cent more; a week without classes."""
    found: dict[str, list[Want]] = defaultdict(list)
    key = 0
    for family, per_group, weeks in _COURSE:
        keeps = shelf_life([family]).days
        for week in weeks:
            for section in range(60):
                groups = 9 + section * 7 % 6
                day = (week - 1) * 7 + section % 5 + (7 if week > 8 else 0)
                volume = Decimal(groups * per_group) * Decimal("1.1")
                key += 1
                found[family].append(Want(key, family, volume, MONDAY + timedelta(days=day), keeps))
    return found


def _bound(wants: list[Want], most: Decimal, window: int) -> int:
    """No plan has fewer: over stretches of days more than a window apart, vessels' worth of each, added up.

    The stretches of one day give the bound by stabbing intervals, one long stretch that by volume alone.
    """
    volumes: dict[int, Decimal] = defaultdict(Decimal)
    # All volumes are whole groups' worth, so a vessel is never fuller than so many of those.
    group = Decimal(math.gcd(*(int(want.volume_ml * 10) for want in wants))) / 10
    most = most // group * group
    for want in wants:
        volumes[(want.due_on - MONDAY).days] += want.volume_ml
    days = sorted(volumes)
    reached: dict[int, int] = {}

    def best_from(day: int) -> int:
        """The most that the stretches beginning on this day or later must have."""
        if day not in reached:
            later = [one for one in days if one >= day]
            best = 0
            for at in range(len(later)):
                volume = Decimal(0)
                for end in later[at:]:
                    volume += volumes[end]
                    best = max(best, math.ceil(volume / most) + best_from(end + window + 1))
            reached[day] = best
        return reached[day]

    return best_from(0)


# Where more batches may be made than the bound asks for: how many at most, and the bound; nowhere else.
# The bound takes volumes as if they could be cut, so it need not be reachable.
_ABOVE: dict[tuple[int, int | None], dict[str, tuple[int, int]]] = {
    (5_000, None): {"sodium-chloride": (63, 62)},
    (5_000, 7): {"sodium-chloride": (64, 63)},
    (5_000, 4): {"sodium-chloride": (64, 63)},
}


@pytest.mark.parametrize("together", [None, 7, 4])
@pytest.mark.parametrize("most", [20_000, 12_000, 10_000, 5_000])
def test_over_a_term_of_sixty_sections_hardly_a_batch_is_above_the_bound(
    most: int, together: int | None
) -> None:
    above, may_be = {}, _ABOVE.get((most, together), {})
    for family, wants in _term().items():
        found = groups_of(wants, most_ml=Decimal(most), together_days=together)
        assert not _wrong(found, Decimal(most), together)
        keeps = wants[0].keeps_days
        bound = _bound(wants, Decimal(most), keeps if together is None else min(keeps, together))
        assert len(found) >= bound
        if len(found) > max(bound, may_be.get(family, (0, 0))[0]):
            above[family] = (len(found), bound)
    assert above == {}


def test_the_largest_volume_is_read_off_the_vessels() -> None:
    # The full teaching-lab set has no carboy: the largest beaker (5 L) holds what is poured together.
    ware = standard_set()
    largest_beaker = max(one.nominal_ml or 0 for one in ware if one.type in ("beaker", "conical flask"))
    assert largest_ml(bench_of(ware)) == largest_beaker
    flask_alone = tuple(one for one in ware if one.type == "one-mark flask")
    assert largest_ml(bench_of(flask_alone)) == max(one.nominal_ml or 0 for one in flask_alone)
    assert largest_ml(bench_of(())) == 0
