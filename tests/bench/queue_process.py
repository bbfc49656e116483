"""Looks at the queue in a database of its own and prints what it took; see :mod:`tests.bench.queue`."""

import gc
import json
import statistics
import time
from datetime import timedelta

import django

django.setup()

from django.conf import settings  # noqa: E402
from django.core.management import call_command  # noqa: E402
from django.db import connection  # noqa: E402
from django.test import Client  # noqa: E402
from django.test.utils import CaptureQueriesContext  # noqa: E402
from django.utils import timezone  # noqa: E402

from prepdesk.accounts.models import User  # noqa: E402
from requests_app.models import Batch, DepartmentRules, Order, StepRecord  # noqa: E402
from requests_app.selectors.glance import forget_suggestions  # noqa: E402
from requests_app.selectors.queue import bounds_of  # noqa: E402
from tests.requests_app.conftest import (  # noqa: E402
    a_course,
    drafter,
    full_bottle,
    outfit_bench,
    receiver,
    sender,
    three_sections,
)
from tests.requests_app.many import copies_of, waiting_like  # noqa: E402

ORDERS, OF_THE_DAY, SHOWN, HANDS, ROUNDS = 10_000, 200, 50, 8, 21

# The rows the page reads, as one question: the batches with their newest sheets, who has them, what there is
# to be looked at, and their orders with course, person and sections. Of all batches of the day, since the day
# is planned as a whole, or of the fifty in view alone, without what there is to be looked at.
JOINED = """
SELECT b.id, b.reference, b.title, b.state, b.due_at, b.room, b.claimed_at, p.first_name, p.last_name,
       s.id, s.revision, s.card, l.code, o.id, o.reference, o.room, o.is_late, c.code,
       q.first_name, q.last_name, n.name {flags}
FROM (SELECT * FROM requests_app_batch
      WHERE state IN ('queued', 'claimed', 'in_work', 'ready') AND due_at < %s
      ORDER BY due_at, id {limit}) b
JOIN requests_app_sheet s ON s.batch_id = b.id
 AND s.revision = (SELECT MAX(t.revision) FROM requests_app_sheet t WHERE t.batch_id = b.id)
LEFT JOIN accounts_user p ON p.id = b.claimed_by_id
LEFT JOIN inventory_lot l ON l.id = b.prepared_lot_id
JOIN requests_app_order o ON o.batch_id = b.id
JOIN requests_app_course c ON c.id = o.course_id
JOIN accounts_user q ON q.id = o.ordered_by_id
LEFT JOIN requests_app_order_sections x ON x.order_id = o.id
LEFT JOIN requests_app_section n ON n.id = x.section_id
ORDER BY b.due_at, b.id
"""
FLAGS = """
     , EXISTS (SELECT 1 FROM requests_app_orderrevision r
               WHERE r.batch_id = b.id AND r.needs_seeing AND r.seen_at IS NULL)
     , EXISTS (SELECT 1 FROM requests_app_batchhold h JOIN inventory_hold i ON i.id = h.hold_id
               JOIN inventory_lot m ON m.id = i.lot_id
               WHERE h.batch_id = b.id AND i.state = 'active' AND m.state IN ('quarantined', 'recalled'))
     , EXISTS (SELECT 1 FROM requests_app_batchbooking k JOIN inventory_booking g ON g.id = k.booking_id
               JOIN inventory_apparatusitem a ON a.id = g.item_id
               WHERE k.batch_id = b.id AND g.state = 'booked' AND (NOT a.in_service OR a.count = 0))
     , EXISTS (SELECT 1 FROM requests_app_secondcheck v WHERE v.batch_id = b.id AND v.state = 'asked')
     , (SELECT COUNT(DISTINCT d.step_number) FROM requests_app_steprecord d WHERE d.batch_id = b.id)
"""
QUESTIONS = {
    "whole": JOINED.format(flags=FLAGS, limit=""),
    "fifty": JOINED.format(flags="", limit=f"LIMIT {SHOWN}"),
}


def lay_out() -> User:
    """Ten thousand open orders, two hundred of them due today; gives the person who looks."""
    manager = User.objects.create(username="mara", role="manager", password="!")
    teacher = User.objects.create(username="ines", first_name="Ines", role="instructor", password="!")
    prep = User.objects.create(username="pia", first_name="Pia", role="prep", password="!")
    outfit_bench()
    full_bottle(receiver(manager))
    send = sender(teacher, drafter(three_sections(a_course(), teacher)))
    DepartmentRules.objects.update_or_create(pk=1, defaults={"hands": HANDS})
    start, end = bounds_of(timezone.localdate())
    last = end - timedelta(seconds=1)
    order = send(volume="1", due_at=last)
    copies_of(order, OF_THE_DAY - 1, lambda number: last - timedelta(minutes=number), prefix="D")
    later = ORDERS // 2 - OF_THE_DAY
    copies_of(order, later, lambda number: end + timedelta(minutes=10 * number), prefix="L")
    waiting_like(order, ORDERS // 2, lambda number: start + timedelta(minutes=10 * number))
    # A quarter of the day is at the bench.
    claimed = list(Batch.objects.filter(due_at__lt=end)[: OF_THE_DAY // 4])
    for batch in claimed:
        batch.state, batch.claimed_by, batch.claimed_at = "in_work", prep, timezone.now()
    Batch.objects.bulk_update(claimed, ["state", "claimed_by", "claimed_at"])
    StepRecord.objects.bulk_create(
        [
            StepRecord(
                batch=batch,
                sheet=batch.sheets.get(),
                step_number=number,
                verdict="done",
                actor=prep,
                idempotency_key=f"{batch.pk}-{number}",
            )
            for batch in claimed
            for number in (1, 2)
        ]
    )
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("ANALYZE")
    return prep


def joined(which: str) -> int:
    """One of the two questions; how many rows it brings."""
    with connection.cursor() as cursor:
        cursor.execute(QUESTIONS[which], [bounds_of(timezone.localdate())[1]])
        return len(cursor.fetchall())


def looks(client: Client, address: str, *, anew: bool) -> dict[str, float]:
    """Medians of a look, of its own work in the process, and of the two questions, taken in turn [s]."""
    seen: dict[str, list[float]] = {"look": [], "own": [], **{which: [] for which in QUESTIONS}}
    for _ in range(ROUNDS):
        if anew:
            forget_suggestions()
        start, worked = time.perf_counter(), time.process_time()
        answer = client.get(address)
        seen["look"].append(time.perf_counter() - start)
        seen["own"].append(time.process_time() - worked)
        assert answer.status_code == 200
        assert answer.content.count(b'class="queue-row"') == SHOWN
        for which in QUESTIONS:
            start = time.perf_counter()
            joined(which)
            seen[which].append(time.perf_counter() - start)
    return {name: statistics.median(values) for name, values in seen.items()}


def main() -> None:
    # As a server runs: no query is written down.
    settings.DEBUG = False
    call_command("migrate", verbosity=0)
    call_command("load_catalogue", verbosity=0)
    client = Client()
    client.force_login(lay_out())
    # What laying out left behind is no part of a server, and is not looked through while pages are drawn.
    gc.collect()
    gc.freeze()
    start = time.perf_counter()
    client.get("/queue/")
    found = {"orders": Order.objects.count(), "day": OF_THE_DAY, "first": time.perf_counter() - start}
    lists = {"suggested": "", "anew": "", "due": "?by=due", "open": "?show=open"}
    for name, asked in lists.items():
        with CaptureQueriesContext(connection) as queries:
            client.get(f"/queue/{asked}")
        asked_for = len(queries)
        found[name] = {"queries": asked_for, **looks(client, f"/queue/{asked}", anew=name == "anew")}
    print(json.dumps(found))


if __name__ == "__main__":
    main()
