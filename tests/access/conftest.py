"""One order with its batch, a lot and a key, for asking every address about."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.utils import timezone

from inventory.importers.runs import start_run
from inventory.models import ApparatusItem, Booking
from inventory.services import (
    Found,
    add_attachment,
    add_place,
    add_waste_stream,
    begin_stocktake,
    book_apparatus,
    count_lots,
)
from prepdesk.accounts import kinds
from prepdesk.accounts.calendar_keys import make_calendar_key
from prepdesk.accounts.notices import tell
from prepdesk.accounts.tokens import issue_token
from requests_app.models import BenchList, BenchListVersion, Meeting, Portion, Room, Term, TermRun, UnknownSet
from requests_app.services.recalls import recall_lot
from tests.conftest import one_of_the_cast
from tests.requests_app.conftest import (
    a_course,
    bench,
    bottle,
    course,
    draft,
    drafter,
    full_bottle,
    outfit_bench,
    receiver,
    salt,
    sections,
    send,
    sender,
    three_sections,
)

__all__ = ["bench", "bottle", "course", "draft", "salt", "sections", "send", "world"]


@pytest.fixture(scope="module")
def cast(django_db_setup, django_db_blocker) -> Iterator[dict[str, Any]]:
    """The people of the tests, made once for all tests of a module.

    Everything a module makes once stands in one transaction around its tests; what a test does itself is
    rolled back with that test, as ever.
    """
    with django_db_blocker.unblock(), transaction.atomic():
        yield {
            name: one_of_the_cast(username)
            for name, username in (
                ("owner", "ines"),
                ("colleague", "otto"),
                ("prep", "pia"),
                ("manager", "mara"),
            )
        }
        transaction.set_rollback(True)


@pytest.fixture(scope="module")
def world(cast) -> dict[str, Any]:
    """The arguments of every address, by the name of what they point to."""
    instructor, prep = cast["owner"], cast["prep"]
    outfit_bench()
    bottle = receiver(cast["manager"])
    salt = full_bottle(bottle)
    sections = three_sections(a_course(), instructor)
    send = sender(instructor, drafter(sections))
    paper = add_attachment(
        actor=prep,
        of=salt,
        kind="certificate",
        upload=SimpleUploadedFile("certificate.pdf", b"%PDF-1.4\n%%EOF\n"),
        idempotency_key="paper",
    )
    order = send()
    brought = start_run(
        actor=prep, kind="lots", name="a.csv", data=b"substance\nsodium chloride\n", idempotency_key="file"
    )
    # Of another bottle, so that the one all addresses are about can still be recalled.
    other = bottle("potassium-chloride", "100", assay_percent="99.8")
    recall = recall_lot(actor=prep, lot=other, reason="a letter", idempotency_key="recall")
    now = timezone.now()
    book_apparatus(
        actor=instructor,
        wanted=[(ApparatusItem.objects.latest("pk").pk, 1, now, now + timedelta(hours=2))],
        purpose="CH 101 A",
        idempotency_key="world",
        by_hand=True,
    )
    tell(people=[instructor], kind=kinds.ORDER_READY, text="It is ready.", path="/orders/", key="ready")
    shelf = add_place(actor=prep, name="Shelf 1", kind="shelf")
    count = begin_stocktake(actor=prep, place=shelf, idempotency_key="world")
    counted = count_lots(
        actor=prep,
        stocktake=count,
        found=[Found(salt, "500", "g")],
        at=shelf,
        idempotency_key="world",
    )
    unknowns = UnknownSet.objects.create(
        reference="U-1",
        course=order.course,
        ordered_by=instructor,
        title="Chloride",
        substance=salt.substance,
        lowest="0.100",
        highest="0.200",
        unit="mol/L",
        count=1,
        volume_per_sample="100",
        due_at=order.due_at,
        room="210",
        idempotency_key="world",
    )
    token, _ = issue_token(actor=instructor, name="course site")
    tomorrow = now + timedelta(days=1)
    meeting = Meeting.objects.create(
        section=order.sections.first(), week=1, starts_at=tomorrow, ends_at=tomorrow + timedelta(hours=3)
    )
    bench_list = BenchList.objects.create(
        course=meeting.section.course, title="Brine", created_by=instructor, idempotency_key="brine"
    )
    term = Term.objects.create(code="T1", name="T1", starts_on=now.date(), ends_on=now.date())
    version = BenchListVersion.objects.create(
        bench_list=bench_list, number=1, created_by=instructor, idempotency_key="brine"
    )
    return {
        "correction": version.pk,
        "bench_list": bench_list.pk,
        "term": term.pk,
        "term_run": TermRun.objects.create(
            term=term, actor=instructor, options={"courses": [], "first": 1, "last": 1}, idempotency_key="run"
        ).pk,
        "form_key": "nobody-sent-this",
        "room": Room.objects.create(code="C-1").pk,
        "course": meeting.section.course_id,
        "meeting": meeting.pk,
        "section": meeting.section_id,
        "day": timezone.localtime(tomorrow).date().isoformat(),
        "order": order.reference,
        "unknowns": unknowns.reference,
        "batch": order.batch.reference,
        "step": 1,
        "portion": Portion.objects.create(
            code="D000012",
            order=order,
            batch=order.batch,
            lot=salt,
            amount=1,
            room=order.room,
            due_at=order.due_at,
        ).code,
        "lot": salt.code,
        "place": shelf.code,
        "count": count.pk,
        "count_line": counted[0].pk,
        "substance": "sodium-chloride",
        "token": token.pk,
        "calendar": make_calendar_key(actor=instructor),
        "notice": instructor.notices.get().pk,
        "recall": recall.pk,
        "kind": "lots",
        "format": "csv",
        "what": "bottles",
        "run": brought.pk,
        "entry": salt.movements.get().pk,
        "event": "quarantine",
        "file": paper.pk,
        "stream": add_waste_stream(actor=prep, name="Sink").pk,
        "item": ApparatusItem.objects.earliest("pk").code,
        "booking": Booking.objects.latest("pk").pk,
        "booked": Booking.objects.latest("pk").item.code,
    }
