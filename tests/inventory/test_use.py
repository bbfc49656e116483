"""How fast a substance goes: by hand-worked weeks, on the department's calendar."""

from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest
import time_machine
from django.utils import timezone

from inventory.models import Movement, Substance
from inventory.selectors import pace_of, use_per_week
from inventory.selectors.use import last_mondays, to_figures
from inventory.services import draw_holds, hold_stock, reverse_movement
from tests.inventory.conftest import new_key
from tests.inventory.test_lots import prepared

pytestmark = pytest.mark.django_db
# A Wednesday; the twelve full weeks before it begin on Monday 1 December 2025 and end on 22 February 2026.
TODAY = date(2026, 2, 25)


@pytest.fixture
def drawn(prep):
    """Draw so many grams on a day: ``drawn(lot, "10", date(2026, 2, 16))``."""

    def draw(lot, grams, day, hour=12, undo=None):
        with time_machine.travel(
            datetime(day.year, day.month, day.day, hour, tzinfo=timezone.get_current_timezone())
        ):
            base = int(Decimal(grams) * 1_000_000)
            holds = hold_stock(actor=prep, draws={lot.pk: base}, purpose="B-1", idempotency_key=new_key())
            (row,) = draw_holds(
                actor=prep,
                amounts={holds[lot.pk].pk: base},
                reason="B-1",
                idempotency_key=new_key(),
            )
        return row

    return draw


def use_of(substance, today=TODAY):
    (use,) = use_per_week([substance.pk], today=today)[substance.pk]
    return use


def test_the_weeks_are_the_last_twelve_whole_ones_and_not_the_present_one():
    mondays = last_mondays(TODAY)
    assert (mondays[0], mondays[-1], len(mondays)) == (date(2025, 12, 1), date(2026, 2, 16), 12)
    assert last_mondays(date(2026, 2, 23))[-1] == date(2026, 2, 16), "on a Monday the week has just begun"
    assert last_mondays(date(2026, 2, 22))[-1] == date(2026, 2, 9), "on a Sunday it is not over"


def test_cover_is_what_is_free_divided_by_the_mean_use_of_a_week(bottle, salt, drawn, prep):
    """Worked by hand (common practice): 10 g in each of six weeks of twelve is 60 g, so 5 g a week; of 160 g
    received 100 g are left, 40 g of them held, and 60 g at 5 g a week last 12 weeks."""
    lot = bottle("160", received_on=date(2025, 11, 3))
    for week in range(6):
        drawn(lot, "10", date(2025, 12, 3) + timedelta(weeks=week))
    hold_stock(actor=prep, draws={lot.pk: 40_000_000}, purpose="B-2", idempotency_key="h")
    (pace,) = pace_of(salt.pk, actor=prep, today=TODAY)
    assert (pace.on_hand, pace.held, pace.free) == (100, 40, 60)
    assert (pace.use.total, pace.use.mean, pace.use.median_shown) == (60, 5, 5)
    assert pace.weeks_of_cover == 12
    # One great class moves the mean and not the median: 12 weeks, 7 of them without or with 10 g.
    drawn(lot, "36", date(2026, 2, 18))
    use = use_of(salt)
    assert (use.mean, use.median_shown) == (8, 10)
    assert use.weeks_of_cover(Decimal(24)) == 3


def test_sunday_night_and_monday_morning_are_two_weeks_on_the_departments_clock(
    bottle, salt, drawn, settings
):
    settings.TIME_ZONE = "Europe/Paris"
    timezone.deactivate()
    lot = bottle("100", received_on=date(2025, 11, 3))
    drawn(lot, "1", date(2026, 2, 15), hour=23)
    drawn(lot, "2", date(2026, 2, 16), hour=0)
    by_week = {week.monday: week.amount for week in use_of(salt).weeks}
    assert (by_week[date(2026, 2, 9)], by_week[date(2026, 2, 16)]) == (1, 2)


def test_what_was_entered_by_mistake_leaves_no_trace_in_any_week(bottle, salt, drawn, prep):
    lot = bottle("100", received_on=date(2025, 11, 3))
    mistake = drawn(lot, "50", date(2026, 2, 3))
    drawn(lot, "6", date(2026, 2, 10))
    old = drawn(lot, "7", date(2025, 11, 20))
    with time_machine.travel(datetime(2026, 2, 19, 12, tzinfo=timezone.get_current_timezone())):
        for row in (mistake, old):
            reverse_movement(actor=prep, movement=row, reason="wrong bottle", idempotency_key=new_key())
    assert [week.amount for week in use_of(salt).weeks if week.amount] == [6]


def test_what_came_back_counts_against_the_use_and_receipts_counts_and_waste_do_not(
    bottle, salt, drawn, prep
):
    lot = bottle("100", received_on=date(2025, 11, 3))
    drawn(lot, "20", date(2026, 2, 17))
    for kind, amount in (("returned", 5), ("received", 70), ("corrected", -3), ("disposed", -4)):
        with time_machine.travel(datetime(2026, 2, 18, 12, tzinfo=timezone.get_current_timezone())):
            Movement.objects.create(
                lot=lot, kind=kind, amount=amount * 1_000_000, actor=prep, idempotency_key=new_key()
            )
    assert use_of(salt).total == 15


def test_without_use_there_is_no_cover_and_the_page_says_so(client, prep, bottle, salt, instructor):
    bottle("500")
    assert use_per_week([salt.pk]) == {}
    client.force_login(prep)
    html = client.get(f"/stock/substances/{salt.key}/").content.decode()
    assert "no use in the last 12 weeks" in html
    assert '<svg class="use-chart"' not in html
    client.force_login(instructor)
    assert "How fast it goes" not in client.get(f"/stock/substances/{salt.key}/").content.decode()


def test_the_page_draws_the_weeks_and_says_the_same_numbers_in_a_table(client, prep, bottle, salt, drawn):
    today = timezone.localdate()
    lot = bottle("500", received_on=today - timedelta(weeks=14))
    drawn(lot, "12.5", today - timedelta(weeks=2))
    drawn(lot, "47.5", today - timedelta(weeks=3))
    client.force_login(prep)
    html = client.get(f"/stock/substances/{salt.key}/").content.decode()
    assert html.count('class="use-bar"') == 12
    assert 'role="img"' in html
    assert "<desc" in html
    for shown in ("12.5", "47.5", "440"):
        assert shown in html
    # 60 g in twelve weeks are 5 g a week, and 440 g last 88 weeks.
    assert "<strong>88.0</strong>" in html
    assert 'height="100"' in html


def test_below_the_reorder_level_is_said_in_words(client, prep, bottle, salt):
    Substance.objects.filter(pk=salt.pk).update(reorder_below=600_000_000)
    bottle("500")
    client.force_login(prep)
    assert "Below its reorder level" in client.get(f"/stock/substances/{salt.key}/").content.decode()


def test_a_solution_made_here_and_handed_over_is_no_use_of_the_stock(bottle, salt, drawn, prep):
    solution = prepared(prep, salt, [bottle("100", received_on=date(2025, 11, 3))])
    base = solution.on_hand
    holds = hold_stock(actor=prep, draws={solution.pk: base}, purpose="B-1", idempotency_key="h")
    draw_holds(actor=prep, amounts={holds[solution.pk].pk: base}, reason="B-1", idempotency_key="d")
    next_week = timezone.localdate() + timedelta(weeks=1)
    assert use_per_week([salt.pk], today=next_week) == {}
    assert [pace.kind for pace in pace_of(salt.pk, actor=prep)] == ["solid"]


def test_many_substances_take_one_query(bottle, salt, vitriol, drawn, django_assert_num_queries):
    for substance in (salt, vitriol):
        drawn(bottle("100", substance=substance, received_on=date(2025, 11, 3)), "5", date(2026, 2, 17))
    with django_assert_num_queries(1):
        found = use_per_week([salt.pk, vitriol.pk], today=TODAY)
    assert {pk: uses[0].total for pk, uses in found.items()} == {salt.pk: 5, vitriol.pk: 5}


@pytest.mark.parametrize(
    ("value", "shown"),
    [("12.3456", "12.3"), ("1234.5", "1234"), ("0.0012345", "0.00123"), ("5", "5"), ("0", "0")],
)
def test_a_figure_is_shown_with_three_digits_and_no_exponent(value, shown):
    assert f"{to_figures(Decimal(value))}" == shown
