"""Orders a whole term in a database of its own and prints what it took; see :mod:`tests.bench.term`."""

import json
import time
import uuid

import django

django.setup()

from django.core.management import call_command  # noqa: E402
from django.utils import timezone  # noqa: E402

from inventory.models import ApparatusItem, Substance  # noqa: E402
from inventory.selectors import calc_catalogue, calc_shelf, stock_differences  # noqa: E402
from inventory.services import receive_lot  # noqa: E402
from prepdesk.accounts.models import User  # noqa: E402
from requests_app import sheets, states  # noqa: E402
from requests_app.drafts import draft_of, wanted_together  # noqa: E402
from requests_app.models import Batch, Course, Meeting, Order, OrderComponent, OrderEvent, Section  # noqa: E402
from requests_app.services.term_runs import start_run  # noqa: E402
from requests_app.services.term_work import work_on_run  # noqa: E402
from tests.requests_app.conftest import outfit_bench  # noqa: E402
from tests.requests_app.terms import make_list, make_section, make_term, plan  # noqa: E402

COURSES, SECTIONS_EACH, WEEKS, LISTS = 5, 12, 14, 12
# Two solutions of these in each of twelve lists, a salt and a strength for each.
SALTS = (
    "sodium-chloride",
    "potassium-chloride",
    "potassium-nitrate",
    "sodium-hydrogen-carbonate",
    "copper-sulfate-pentahydrate",
    "ammonium-chloride",
)


def lay_out(
    courses: int = COURSES, sections: int = SECTIONS_EACH, weeks: int = WEEKS, lists: int = LISTS
) -> User:
    """A department with a timetable, bench lists, a plan of the term and full shelves; gives the manager."""
    manager = User.objects.create(username="mara", role="manager", password="!")
    teachers = [User.objects.create(username=f"t{n}", role="instructor", password="!") for n in range(20)]
    outfit_bench()
    ApparatusItem.objects.update(count=12)
    for salt in SALTS:
        substance = Substance.objects.get(key=salt)
        for number in range(3):
            receive_lot(
                actor=manager,
                substance=substance,
                kind="solid",
                amount="500000",
                unit="g",
                assay_percent="99.5",
                assay_tolerance_percent="0.2",
                idempotency_key=f"{salt}-{number}",
            )
    term = make_term(weeks)
    made = [Course.objects.create(code=f"CH {100 + n}", title=f"Course {n}") for n in range(courses)]
    for number in range(courses * sections):
        course = made[number % courses]
        make_section(
            course, term, f"S{number}", teachers[number % 20], groups=8 + number % 5, weekday=number % 5
        )
    per_course: dict[int, list] = {}
    for number in range(lists):
        course = made[number % courses]
        solutions = [
            (SALTS[(number + one) % len(SALTS)], f"0.{number + 1:02}0", "mol/L", "25") for one in range(2)
        ]
        per_course.setdefault(course.pk, []).append(make_list(course, f"List {number}", manager, solutions))
    for week in range(1, weeks + 1):
        for versions in per_course.values():
            plan(term, week, versions[week % len(versions)])
    return manager


def run_over(manager: User, key: str) -> float:
    """The whole term ordered; how long it took [s of process time and the wall clock]."""
    term = Meeting.objects.first().section.term
    run = start_run(
        actor=manager,
        term=term,
        courses=list(Course.objects.all()),
        first=1,
        last=term.weeks,
        idempotency_key=key,
    )
    start = time.perf_counter()
    work_on_run(run.pk, run.attempt)
    seconds = time.perf_counter() - start
    run.refresh_from_db()
    assert (run.state, run.problems) == (states.DONE, []), (run.state, run.message, run.problems)
    return seconds


def bare() -> float:
    """The same batches planned and the same orders inserted, without locks, holds or bookings."""
    batches = [
        list(batch.orders.prefetch_related("sections", "components__substance"))
        for batch in Batch.objects.prefetch_related("orders")
    ]
    wanted = [wanted_together([draft_of(order) for order in orders]) for orders in batches if orders]
    orders = list(Order.objects.all())
    start = time.perf_counter()
    shelf, catalogue = calc_shelf(on=timezone.localdate()), calc_catalogue()
    for one in wanted:
        sheets.plan_on(shelf, catalogue, one)
    for order in orders:
        order.pk, order.reference, order.meeting_id = None, uuid.uuid4().hex[:16], None
        order.idempotency_key = uuid.uuid4().hex
    copies = Order.objects.bulk_create(orders, batch_size=500)
    salt = Substance.objects.first()
    OrderComponent.objects.bulk_create(
        [OrderComponent(order=one, substance=salt, target_value="1", target_unit="g/L") for one in copies],
        batch_size=500,
    )
    for _ in range(2):
        OrderEvent.objects.bulk_create(
            [OrderEvent(order=one, event="submit", to_state=one.state, actor_id=1) for one in copies],
            batch_size=500,
        )
    through = Order.sections.through
    section = Section.objects.first()
    through.objects.bulk_create([through(order=one, section=section) for one in copies], batch_size=500)
    return time.perf_counter() - start


def main() -> None:
    call_command("migrate", verbosity=0)
    call_command("load_catalogue", verbosity=0)
    manager = lay_out()
    whole = run_over(manager, "first")
    orders, batches = Order.objects.count(), Batch.objects.count()
    waiting = Order.objects.filter(state=states.WAITING).count()
    again = run_over(manager, "again")
    assert Order.objects.count() == orders
    assert stock_differences() == []
    figures = {"whole": whole, "again": again, "orders": orders, "batches": batches, "waiting": waiting}
    print(json.dumps({**figures, "bare": bare()}))


if __name__ == "__main__":
    main()
