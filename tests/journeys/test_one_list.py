"""One bench list for all sections of a week, in a browser: a double click, the way back, a second tab."""

import re

import pytest
from playwright.sync_api import Page, expect

from prepdesk.accounts.models import User
from requests_app.models import BenchList, Meeting, Order, Term
from requests_app.selectors.term import meetings_to_order, newest_versions, term_now

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


def last_full_week(term: Term, listed: BenchList, actor) -> tuple[int, list[Meeting]]:
    """The last week in which somebody's sections of a course meet; nothing of it is ordered yet."""
    for week in range(term.weeks, 0, -1):
        meetings = meetings_to_order(actor, listed.course, term, week)
        if meetings and not Order.objects.filter(meeting__in=meetings).exists():
            return week, meetings
    raise AssertionError("nothing is left to be ordered")


def check(page: Page) -> None:
    page.get_by_role("button", name="Check the orders").last.click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Check the orders")


def test_a_list_ordered_by_a_double_click_the_way_back_and_a_second_tab_is_one_set(sign_in):
    page = sign_in("instructor")
    person = User.objects.get(username="instructor")
    listed = BenchList.objects.filter(course__code="CH 101", retired_at=None).earliest("pk")
    term = term_now()
    week, meetings = last_full_week(term, listed, person)
    solutions = len(newest_versions().get(bench_list=listed).solutions.all())
    start = page.url.split("/orders")[0]
    address = f"{start}/orders/from-list/?list={listed.pk}&term={term.pk}&week={week}"
    page.goto(address)
    first = meetings[0]
    lines = page.locator("#lines")
    expect(lines).to_contain_text(f"{first.group_count} groups")
    # What it adds up to follows what is typed.
    page.get_by_label(f"Groups in section {first.section.name}").fill("3")
    expect(lines).to_contain_text("3 groups")
    second = page.context.new_page()
    second.goto(address)

    check(page)
    before = Order.objects.count()
    page.get_by_role("button", name="Send the orders").dblclick()
    page.wait_for_url("**/from-list/sent/**")
    one_set = solutions * len(meetings)
    assert Order.objects.count() == before + one_set
    assert set(Order.objects.filter(meeting=first).values_list("groups_per_section", flat=True)) == {3}
    expect(page.locator("tbody tr")).to_have_count(one_set)

    # Back to the check page, and sent once more; it may come from the browser's memory.
    page.go_back()
    page.get_by_role("button", name="Send the orders").click()
    page.wait_for_url("**/from-list/sent/**")
    assert Order.objects.count() == before + one_set

    # The tab that was open all the while has a form of its own.
    check(second)
    expect(second.locator("main")).to_contain_text("Already ordered as R-")
    second.get_by_role("button", name="Send the orders").click()
    expect(second.locator("#messages")).to_contain_text(re.compile("Already ordered, and not ordered again"))
    assert Order.objects.count() == before + one_set
