"""The plan of a day against scheduling theory, against every order there is, and in a person's words.

Outside truth: for one pair of hands and nothing else to share,

* J. M. Moore, "An n job, one machine sequencing algorithm for minimizing the number of late jobs",
  Management Science 15 (1968) 102-109, in the form he gives to Hodgson: the fewest late jobs;
* J. R. Jackson, "Scheduling a production line to minimize maximum tardiness", Research Report 43, Management
  Science Research Project, University of California, Los Angeles (1955): the order of due times makes the
  greatest lateness least.

Both are written down here from memory and checked against all orders of a few jobs.
"""

import itertools
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from requests_app.day_plan import Capacity, DayPlan, Job, plan_day

NOW = datetime(2027, 3, 1, 8, tzinfo=UTC)
ALONE = Capacity()


def at(minutes: float) -> datetime:
    return NOW + timedelta(minutes=minutes)


def job(key, hands: float, due: float, **more) -> Job:
    for name in ("waiting", "at_balance"):
        if name in more:
            more[name] = timedelta(minutes=more[name])
    if "not_before" in more:
        more["not_before"] = at(more["not_before"])
    return Job(
        key=key, name=f"B-{key}", hands_on=timedelta(minutes=hands), due_at=at(due),
        **{"waiting": timedelta(), **more},
    )  # fmt: skip


def planned(jobs, capacity=ALONE, now=NOW) -> DayPlan:
    return plan_day(jobs, now=now, capacity=capacity)


def ready(plan: DayPlan, key) -> float:
    return (plan.by_key[key].ready_at - NOW) / timedelta(minutes=1)


# --- against the theory --------------------------------------------------------------------------
def fewest_late(jobs: list[Job]) -> int:
    """Moore and Hodgson 1968; what stands by itself afterwards only moves the due time of the hands."""
    taken, clock = [], timedelta()
    for one in sorted(jobs, key=lambda one: one.due_at - one.waiting):
        taken.append(one)
        clock += one.hands_on
        if NOW + clock > one.due_at - one.waiting:
            longest = max(taken, key=lambda each: each.hands_on)
            taken.remove(longest)
            clock -= longest.hands_on
    return len(jobs) - len(taken)


def least_greatest_lateness(jobs: list[Job]) -> timedelta:
    """Jackson 1955; negative where all are early."""
    clock, lateness = timedelta(), []
    for one in sorted(jobs, key=lambda one: one.due_at - one.waiting):
        clock += one.hands_on
        lateness.append(NOW + clock + one.waiting - one.due_at)
    return max(lateness)


def lateness_in(jobs: tuple[Job, ...]) -> list[timedelta]:
    clock, found = timedelta(), []
    for one in jobs:
        clock += one.hands_on
        found.append(NOW + clock + one.waiting - one.due_at)
    return found


def a_few(largest: int, due: int = 400) -> st.SearchStrategy[list[Job]]:
    figures = st.tuples(st.integers(1, 60), st.integers(1, due), st.sampled_from((0, 0, 10, 30)))
    return st.lists(figures, min_size=1, max_size=largest).map(
        lambda rows: [job(number, hands, by, waiting=waits) for number, (hands, by, waits) in enumerate(rows)]
    )


@given(a_few(30))
def test_one_person_is_late_with_no_more_jobs_than_moore_and_hodgson_find(jobs):
    assert len(planned(jobs).late) == fewest_late(jobs)


@given(a_few(30, due=2000))
def test_the_greatest_lateness_is_jacksons_where_the_due_order_makes_no_more_late(jobs):
    plan = planned(jobs)
    greatest = max(slot.ready_at - slot.due_at for slot in plan.slots)
    jackson = least_greatest_lateness(jobs)
    assert greatest >= jackson
    in_turn = sorted(jobs, key=lambda one: one.due_at - one.waiting)
    if sum(late > timedelta() for late in lateness_in(tuple(in_turn))) == fewest_late(jobs):
        assert greatest == jackson


@given(a_few(6, due=150))
def test_of_all_orders_of_a_few_jobs_none_makes_fewer_late(jobs):
    orders = [lateness_in(order) for order in itertools.permutations(jobs)]
    assert len(planned(jobs).late) == min(sum(one > timedelta() for one in order) for order in orders)
    assert least_greatest_lateness(jobs) == min(max(order) for order in orders)


@given(a_few(20))
def test_a_job_less_never_makes_one_person_late_with_more(jobs):
    whole = len(planned(jobs).late)
    assert whole - 1 <= len(planned(jobs[1:]).late) <= whole


# --- against every order, with people, balances, hoods and predecessors ------------------------------
def crowded(largest: int) -> st.SearchStrategy[list[Job]]:
    @st.composite
    def build(draw) -> list[Job]:
        jobs = []
        for number in range(draw(st.integers(1, largest))):
            hands = draw(st.integers(1, 40))
            begun = draw(st.integers(0, 9)) == 0
            person = 1 if begun else draw(st.sampled_from((None, None, None, 1, 2)))
            more: dict = {
                "waiting": draw(st.sampled_from((0, 0, 15, 40))),
                "balances": frozenset(draw(st.sampled_from(((), (), ("1",), ("2",), ("1", "2"))))),
                "at_balance": draw(st.integers(1, hands)),
                "hood": draw(st.integers(0, 4)) == 0,
                "person": person,
                "begun": begun,
                "not_before": draw(st.sampled_from((-60, 0, 0, 25))),
                "after": frozenset({draw(st.integers(0, number - 1))})
                if number and not begun and draw(st.integers(0, 4)) == 0
                else frozenset(),
            }
            jobs.append(job(number, hands, draw(st.integers(5, 300)), **more))
        return jobs

    return build()


def two_people(hoods: int = 1) -> Capacity:
    return Capacity(people=(1, 2), balances={"1": 1, "2": 2}, hoods=hoods, names={"1": "0.0001 g balance"})


def overlap(spans) -> int:
    """The most that are open at one moment; half-open."""
    edges = sorted([(start, 1) for start, end in spans if end > start] + [(end, -1) for _, end in spans])
    edges = sorted(edges, key=lambda edge: (edge[0], edge[1]))
    most = count = 0
    for _, change in edges:
        count += change
        most = max(most, count)
    return most


@given(crowded(9))
def test_nobody_and_nothing_is_in_two_places_and_nothing_begins_before_it_may(jobs):
    capacity = two_people()
    plan = planned(jobs, capacity)
    slots = plan.by_key
    assert sorted(slots) == [one.key for one in jobs]
    assert [slots[key].starts_at for key in plan.sequence] == sorted(one.starts_at for one in plan.slots)
    for bench in {slot.bench for slot in plan.slots}:
        mine = [slot for slot in plan.slots if slot.bench == bench]
        assert overlap([(slot.starts_at, slot.hands_until) for slot in mine]) <= 1
        assert len({slot.person for slot in mine}) == 1
    for key, count in capacity.balances.items():
        at_it = [one for one in jobs if key in one.balances]
        spans = [(slots[one.key].starts_at, slots[one.key].starts_at + one.at_balance) for one in at_it]
        assert overlap(spans) <= count
    hooded = [slots[one.key] for one in jobs if one.hood]
    assert overlap([(slot.starts_at, slot.hands_until) for slot in hooded]) <= 1
    for one in jobs:
        slot = slots[one.key]
        assert slot.starts_at >= max(NOW, one.not_before)
        assert slot.hands_until == slot.starts_at + one.hands_on
        assert slot.ready_at == slot.hands_until + one.waiting
        assert all(slots[key].ready_at <= slot.starts_at for key in one.after)
        assert one.person in (None, slot.person)
        assert slot.because


@given(crowded(9))
def test_what_is_under_way_goes_before_all_other_work_of_its_person(jobs):
    plan = planned(jobs, two_people())
    begun = [plan.by_key[one.key] for one in jobs if one.begun]
    others = [slot for slot in plan.slots if slot not in begun]
    for slot in begun:
        same = [other for other in others if other.person == slot.person]
        # What fits before it may be begun, or while it waits for a balance, is done then.
        assert all(other.starts_at >= slot.starts_at or other.hands_until <= slot.starts_at for other in same)
    if len(begun) == 1 and jobs[[one.begun for one in jobs].index(True)].not_before <= NOW:
        assert begun[0].starts_at == NOW


@given(crowded(9))
def test_the_same_jobs_give_the_same_plan(jobs):
    assert planned(jobs, two_people()) == planned(jobs, two_people())


def test_of_a_few_crowded_jobs_hardly_any_day_has_one_more_late_than_the_best_order():
    from random import Random

    from requests_app.day_plan import _Day
    from requests_app.day_search import Search

    more = 0
    for seed in range(150):
        draw = Random(seed)
        jobs = [
            job(
                number,
                draw.randrange(3, 40),
                draw.randrange(10, 160),
                waiting=draw.choice((0, 0, 10, 30)),
                balances=frozenset(draw.choice(((), ("1",), ("2",)))),
                at_balance=draw.randrange(1, 30),
                hood=draw.random() < 0.2,
                not_before=draw.choice((0, 0, 20)),
                after=frozenset({draw.randrange(number)}) if number and draw.random() < 0.2 else frozenset(),
            )
            for number in range(draw.randrange(2, 6))
        ]
        day = _Day(tuple(jobs), NOW, two_people())
        search = Search(day.tasks, 2, day.counts)
        best = min(search.place(order).key[0] for order in itertools.permutations(range(len(jobs))))
        found = len(planned(jobs, two_people()).late)
        assert found <= best + 1
        more += found > best
    assert more <= 3


# --- what a person expects ----------------------------------------------------------------------
def test_the_next_batch_is_begun_while_the_first_one_cools():
    plan = planned([job(1, 10, 60, waiting=30), job(2, 15, 90)])
    assert plan.sequence == (1, 2)
    assert plan.by_key[2].starts_at == at(10)
    assert (ready(plan, 1), ready(plan, 2)) == (40, 25)
    assert plan.by_key[2].because == "While B-1 stands and needs no hands."


def test_what_cools_long_is_begun_first_though_it_is_due_later():
    plan = planned([job(1, 10, 40), job(2, 10, 60, waiting=45)])
    assert plan.sequence == (2, 1)
    assert not plan.late
    assert plan.by_key[2].because == "It stands 45 minutes by itself, so it is begun early."


def test_the_same_balance_is_used_back_to_back_where_nobody_suffers():
    jobs = [
        job(1, 10, 100, balances=frozenset("1")),
        job(2, 10, 110, balances=frozenset("2")),
        job(3, 10, 120, balances=frozenset("1")),
    ]
    plan = planned(jobs)
    assert plan.sequence == (1, 3, 2)
    assert plan.by_key[3].because == "On the same balance after B-1."


@pytest.mark.parametrize(
    ("due", "other"), [(300, 100), (120, 34)], ids=["due long before", "a quarter of an hour to spare"]
)
def test_nothing_is_passed_for_the_same_balance_that_is_due_long_before_or_would_have_nothing_to_spare(
    due, other
):
    jobs = [
        job(1, 10, 20, balances=frozenset("1")),
        job(2, 10, other, balances=frozenset("2")),
        job(3, 10, due, balances=frozenset("1")),
    ]
    assert planned(jobs).sequence == (1, 2, 3)


def test_work_in_the_hood_is_drawn_together():
    jobs = [job(1, 10, 100, hood=True), job(2, 10, 110), job(3, 10, 120, hood=True)]
    plan = planned(jobs, Capacity(hoods=1))
    assert plan.sequence == (1, 3, 2)
    assert plan.by_key[3].because == "In the hood after B-1."


def test_a_due_time_is_never_given_for_the_same_balance():
    jobs = [
        job(1, 10, 100, balances=frozenset("1")),
        job(2, 10, 25, balances=frozenset("2")),
        job(3, 10, 120, balances=frozenset("1")),
        job(4, 10, 35, balances=frozenset("2"), not_before=20),
    ]
    plan = planned(jobs)
    assert not plan.late


def test_two_people_take_turns_at_the_only_balance_and_one_goes_on_with_something_else():
    jobs = [
        job(1, 20, 60, balances=frozenset("1"), at_balance=8),
        job(2, 20, 60, balances=frozenset("1"), at_balance=8),
    ]
    plan = planned(jobs, two_people())
    assert plan.by_key[1].starts_at == NOW
    assert plan.by_key[2].starts_at == at(8)
    assert plan.by_key[2].person != plan.by_key[1].person


def test_a_claimed_batch_stays_with_whoever_has_it():
    plan = planned([job(1, 10, 60, person=7), job(2, 10, 60, person=7)], Capacity(people=(None, None)))
    assert {slot.person for slot in plan.slots} == {7}
    assert ready(plan, 2) == 20


def test_somebody_beyond_the_people_there_are_finishes_what_they_have_and_gets_nothing_new():
    jobs = [job(1, 10, 60, person=7, begun=True), job(2, 10, 70, person=8), job(3, 10, 80), job(4, 10, 90)]
    plan = planned(jobs, Capacity(people=(None,)))
    assert [plan.by_key[key].person for key in (1, 2, 3, 4)] == [7, 8, 7, 7]


def test_begun_work_goes_on_first_and_paused_work_waits_for_its_turn():
    jobs = [job(1, 10, 30, person=7), job(2, 10, 300, person=7, begun=True)]
    plan = planned(jobs)
    assert plan.sequence == (2, 1)
    assert plan.by_key[2].because == "It is under way, so it goes on before other work."
    rests = [jobs[0], replace(jobs[1], paused=True)]
    assert planned(rests).sequence == (1, 2)


def test_a_late_batch_goes_as_early_as_the_others_can_bear():
    jobs = [job(1, 30, -60), job(2, 10, 25), job(3, 10, 90), job(4, 10, 95)]
    plan = planned(jobs)
    assert plan.sequence == (2, 1, 3, 4)
    assert [slot.key for slot in plan.late] == [1]


def test_an_ingredient_is_made_first_and_hurries_with_what_it_is_for():
    jobs = [job(1, 10, 50), job(2, 10, 300, waiting=5), job(3, 10, 40, after=frozenset({2}))]
    plan = planned(jobs)
    assert plan.sequence[0] == 2
    assert not plan.late
    assert plan.by_key[2].because == "B-3 is made from it."


def test_batches_that_wait_for_each_other_by_mistake_are_planned_all_the_same():
    plan = planned([job(1, 10, 50, after=frozenset({2})), job(2, 10, 60, after=frozenset({1}))])
    assert sorted(plan.sequence) == [1, 2]


def test_no_jobs_make_an_empty_day():
    assert planned([]) == DayPlan()


# --- why something can't be in time -----------------------------------------------------------------
@pytest.mark.parametrize(
    ("jobs", "said"),
    [
        ([job(1, 30, 20, waiting=20)], "It needs 50 minutes, 20 minutes are left."),
        ([job(1, 61, 60)], "It needs 1 hour 1 minute, 1 hour is left."),
        ([job(1, 5, -60)], "It was due 1 hour ago."),
        ([job(1, 5, -50 * 60)], "It was due 2 days ago."),
        ([job(1, 30, 60, not_before=45)], "It needs 30 minutes. It can’t be begun before 08:45."),
        (
            [job(1, 30, 45, after=frozenset({2})), job(2, 20, 300)],
            "It needs 30 minutes. B-2 must be made first and is ready at 08:20.",
        ),
        (
            [job(1, 30, 40, person=7), job(2, 20, 500, person=7, begun=True)],
            "It needs 30 minutes. Whoever has it is busy until 08:20.",
        ),
        (
            [job(1, 30, 40), job(2, 20, 500, person=7, begun=True)],
            "It needs 30 minutes. Nobody is free for it before 08:20.",
        ),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_what_cant_be_in_time_says_why(jobs, said):
    plan = planned(jobs)
    assert [slot.key for slot in plan.late] == [1]
    assert plan.by_key[1].because == said


def test_the_only_balance_is_named_with_the_time_until_which_it_is_taken():
    jobs = [
        job(1, 30, 50, balances=frozenset("1"), person=2),
        job(2, 40, 500, balances=frozenset("1"), at_balance=25, person=1, begun=True),
    ]
    plan = planned(jobs, two_people())
    assert plan.by_key[1].because == "It needs 30 minutes. The only 0.0001 g balance is taken until 08:25."


def test_the_only_hood_is_named_too():
    jobs = [job(1, 30, 50, hood=True, person=2), job(2, 40, 500, hood=True, person=1, begun=True)]
    plan = planned(jobs, two_people())
    assert plan.by_key[1].because == "It needs 30 minutes. The only fume hood is taken until 08:40."


def test_a_department_without_a_listed_hood_waits_for_none():
    jobs = [job(1, 30, 50, hood=True, person=2), job(2, 40, 500, hood=True, person=1, begun=True)]
    assert not planned(jobs, two_people(hoods=0)).late


def test_times_are_said_on_the_clock_of_the_department_and_counted_across_a_change_of_summer_time():
    zone = ZoneInfo("Europe/Paris")
    # On 28 March 2027 the clocks go from 2:00 to 3:00 there (EU directive 2000/84/EC: last Sunday of March).
    now = datetime(2027, 3, 28, 1, 30, tzinfo=zone)
    first = Job(key=1, due_at=datetime(2027, 3, 28, 12, tzinfo=UTC), hands_on=timedelta(hours=1))
    plan = planned([first], now=now)
    assert f"{plan.slots[0].ready_at:%H:%M}" == "03:30"
    assert plan.slots[0].ready_at - now.astimezone(UTC) == timedelta(hours=1)


# --- fast ------------------------------------------------------------------------------------------
def busy_day(count: int) -> list[Job]:
    from random import Random

    draw = Random(1)
    return [
        job(
            number,
            draw.randrange(3, 25),
            draw.randrange(5, 480, 15),
            waiting=draw.choice((0, 0, 5, 20, 40)),
            balances=frozenset(draw.sample("123", draw.choice((0, 1, 1)))),
            at_balance=draw.randrange(1, 9),
            hood=draw.random() < 0.2,
        )
        for number in range(count)
    ]


def least_seconds(work: Callable[[], object]) -> float:
    found = []
    for _ in range(7):
        begun = time.process_time()
        work()
        found.append(time.process_time() - begun)
    return min(found)


def test_a_day_of_200_jobs_and_3_people_takes_little_longer_than_a_count_to_250000():
    """10 ms where a bare loop takes 40 ns a turn; beside the loop a slow machine is judged fairly."""
    jobs = busy_day(200)
    capacity = Capacity(people=(1, 2, 3), hoods=1)

    def count() -> int:
        total = 0
        for number in range(250_000):
            total += number & 3
        return total

    assert least_seconds(lambda: planned(jobs, capacity)) < 3 * least_seconds(count)
