"""A corrected bench list reaches the orders of all instructors, as far as nobody has begun."""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory.selectors import stock_differences
from prepdesk.accounts.models import Notice
from prepdesk.core.errors import Conflict, NotAllowed
from requests_app import states
from requests_app.models import BenchList, BenchListVersion, ListComponent, ListSolution, Meeting, Order
from requests_app.selectors.corrections import correction_of
from requests_app.services.changes import change_order
from requests_app.services.claiming import claim_batch
from requests_app.services.corrections import apply_correction
from requests_app.services.orders import submit_order
from tests.requests_app.conftest import substance_row
from tests.requests_app.test_change_pages import text_of, values_of

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    yield
    assert stock_differences() == []


class Lists:
    """A bench list with lines by name, written version by version."""

    def __init__(self, course, author):
        self.bench_list = BenchList.objects.create(
            course=course, title="Brine", created_by=author, idempotency_key="brine"
        )
        self.author, self.lines = author, {}

    def version(self, reason="", **lines):
        number = self.bench_list.versions.count() + 1
        version = BenchListVersion.objects.create(
            bench_list=self.bench_list,
            number=number,
            reason=reason,
            created_by=self.author,
            idempotency_key=f"brine-{number}",
        )
        for position, (name, values) in enumerate(lines.items()):
            line = self.lines.setdefault(name, uuid4())
            target = values.pop("target", "2.00")
            made = ListSolution.objects.create(
                version=version,
                line=line,
                position=position,
                **{"volume_per_group": "25", "overage_percent": "10", **values},
            )
            ListComponent.objects.create(
                solution=made,
                substance=substance_row("sodium-chloride"),
                target_value=target,
                target_unit="mol/L",
            )
        return version


@pytest.fixture
def lists(course, sections, instructor):
    return Lists(course, instructor)


@pytest.fixture
def ordered(draft, sections, instructor, colleague, manager):
    """Every line of a version ordered for the meetings of two sections with different instructors."""

    def order_all(version):
        sections[1].instructor = colleague
        sections[1].save()
        made = []
        for section in sections[:2]:
            begins = timezone.now() + timedelta(days=3)
            meeting, _ = Meeting.objects.get_or_create(
                section=section,
                week=1,
                defaults={"starts_at": begins, "ends_at": begins + timedelta(hours=3)},
            )
            for one in version.solutions.all():
                wanted = draft(
                    section_ids=(section.pk,),
                    volume=one.volume_per_group,
                    target=one.components.get().target_value,
                    meeting_id=meeting.pk,
                    list_solution_id=one.pk,
                    list_line=one.line,
                )
                made.append(
                    submit_order(
                        actor=section.instructor, draft=wanted, idempotency_key=f"{meeting.pk}-{one.line}"
                    )
                )
        return made

    return order_all


def apply(actor, version, *, new=False, gone=False, key="correction", seen=None):
    return apply_correction(
        actor=actor,
        version=version,
        seen=[order.pk for order in correction_of(version).orders] if seen is None else seen,
        order_new_lines=new,
        cancel_removed_lines=gone,
        idempotency_key=key,
    )


def test_a_correction_reaches_the_orders_of_every_instructor(salt, lists, ordered, instructor, colleague):
    orders = ordered(lists.version(brine={}))
    corrected = lists.version("too little before", brine={"volume_per_group": "30"})
    done = apply(instructor, corrected)
    for order in orders:
        order.refresh_from_db()
        assert (order.volume_per_group, order.list_solution.version) == ("30", corrected)
        words = order.revisions.get().words
        assert words[0] == "Corrected in version 2 of Brine: too little before."
        assert "25 mL for each group → 30; 330 mL → 396 mL" in words[1]
    assert len(done.revisions) == 2
    assert {notice.person for notice in Notice.objects.filter(kind="order_changed")} == {colleague}
    # Sent again it happens once, and nothing is left to follow.
    apply(instructor, corrected)
    assert orders[0].revisions.count() == 1
    assert correction_of(corrected).orders == ()


def test_what_somebody_set_otherwise_on_an_order_stays(salt, lists, ordered, instructor):
    order, _ = ordered(lists.version(brine={}))
    change_order(
        actor=instructor,
        order=order,
        draft_changes={"notes": "brown bottles"},
        reason="",
        expected_revision=1,
        idempotency_key="k",
    )
    apply(instructor, lists.version(brine={"target": "1.00"}))
    order.refresh_from_db()
    assert (order.notes, order.title) == ("brown bottles", "1.00 mol/L sodium chloride")


def test_what_is_begun_is_listed_and_not_touched(salt, lists, ordered, instructor, prep):
    orders = ordered(lists.version(brine={}))
    claim_batch(actor=prep, batch=orders[0].batch)
    with_it = set(orders[0].batch.orders.all())
    corrected = lists.version(brine={"target": "1.00"})
    done = apply(instructor, corrected)
    orders[0].refresh_from_db()
    assert set(done.begun) == with_it
    assert orders[0].title == "2.00 mol/L sodium chloride"
    assert not orders[0].revisions.exists()
    assert {revision.order for revision in done.revisions} == set(orders) - with_it


def test_new_lines_are_ordered_and_lines_that_are_gone_cancelled_where_it_is_asked(
    salt, lists, ordered, instructor
):
    orders = ordered(lists.version(brine={}, rinse={"target": "0.10"}))
    corrected = lists.version(brine={}, titrant={"target": "0.50"})
    found = correction_of(corrected)
    assert (len(found.follow), len(found.removed), len(found.missing)) == (2, 2, 2)
    done = apply(instructor, corrected, new=True, gone=True)
    assert {order.title for order in done.added} == {"0.50 mol/L sodium chloride"}
    assert {order.ordered_by for order in done.added} == {order.ordered_by for order in orders}
    assert all(order.list_line == lists.lines["titrant"] for order in done.added)
    gone = Order.objects.filter(list_line=lists.lines["rinse"])
    assert set(gone.values_list("state", flat=True)) == {states.CANCELLED}
    assert correction_of(corrected).missing == ()


def test_only_who_teaches_the_course_and_only_the_newest_version(
    salt, lists, ordered, instructor, person, prep
):
    orders = ordered(lists.version(brine={}))
    second = lists.version(brine={"volume_per_group": "30"})
    for stranger in (person("ulla", "instructor"), prep):
        with pytest.raises(NotAllowed):
            apply(stranger, second)
    with pytest.raises(Conflict, match="More was ordered"):
        apply(instructor, second, seen=[orders[0].pk])
    lists.version(brine={"volume_per_group": "40"})
    with pytest.raises(Conflict, match="version 3"):
        apply(instructor, second)


def test_the_page_shows_what_follows_before_it_does(salt, lists, ordered, client, instructor):
    orders = ordered(lists.version(brine={}))
    corrected = lists.version(brine={"volume_per_group": "30"}, titrant={"target": "0.50"})
    client.force_login(instructor)
    on_list = client.get(reverse("requests_app:bench_list", args=[corrected.bench_list_id]))
    assert "2 open orders come from an older version of this list." in text_of(on_list)
    page = reverse("requests_app:correction", args=[corrected.pk])
    first = client.get(page)
    assert "Lines that are new" in text_of(first)
    looked = client.post(page, {**values_of(first), "step": "look"})
    assert text_of(looked).count("330 mL → 396 mL") == 2
    assert Order.objects.count() == 2
    client.post(page, {**values_of(looked), "step": "do"})
    orders[0].refresh_from_db()
    assert (orders[0].volume_per_group, Order.objects.count()) == ("30", 4)
