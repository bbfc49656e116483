"""Builds the invented department through the same services as everybody, so that its ledger is true."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime, time, timedelta
from decimal import Decimal
from typing import Final

from django.contrib.auth.hashers import make_password
from django.utils import timezone

from inventory.models import Lot, Place, Substance
from inventory.services import (
    add_apparatus,
    change_lot_state,
    in_transaction_with_retries,
    open_lot,
    receive_lot,
)
from prepdesk.accounts.models import User
from prepdesk.calc.typed import parse_number
from requests_app import sheets
from requests_app.demo.apparatus import equip, live_with_it
from requests_app.demo.bench import scan_from_now_on, work_at_the_bench
from requests_app.demo.bench_lists import write_lists
from requests_app.demo.cabinets import (
    STANDS,
    a_bottle_that_stands_wrongly,
    finished_count,
    interrupted_count,
    put_up_places,
)
from requests_app.demo.changes import change_things
from requests_app.demo.choices import MADE_FROM_A_CHOICE, WAITS_FOR_A_CHOICE, bring_back_leftover
from requests_app.demo.days import PAST, TODAY, DemoOrder
from requests_app.demo.files import bring_in_a_delivery
from requests_app.demo.following import ask_and_hurry, set_the_rules
from requests_app.demo.recalled import MADE_OF_IT, WEEKS, call_back, read_the_old_ones
from requests_app.demo.scenario import (
    BALANCES,
    COURSES,
    DEMO_LOGINS,
    DEMO_PASSWORD,
    GLASS,
    LOTS,
    PEOPLE,
    PLACES,
)
from requests_app.demo.shelves import fill_the_shelves
from requests_app.demo.teaching import set_up_teaching
from requests_app.demo.term import order_two_weeks, plan_the_term
from requests_app.demo.together import make_some_together, use_a_leftover
from requests_app.demo.two_bottles import FROM_TWO_BOTTLES, OLD_AND_NEW
from requests_app.demo.unknowns import order_some_unknowns
from requests_app.drafts import DraftComponent, OrderDraft
from requests_app.models import Batch, Course, Order, Section
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch
from requests_app.services.orders import submit_order
from requests_app.services.recording import record_step

KEY: Final = "demo-"
_OPENS, _CLOSES, _SATURDAY = 8, 18, 5
_LEAD: Final = timedelta(days=2)
_STEP: Final = timedelta(minutes=6)


def is_loaded() -> bool:
    """Whether the invented department is in this database."""
    return Order.objects.filter(idempotency_key__startswith=KEY).exists()


def build() -> bool:
    """Load everything in one transaction; False when it was there before.

    Raises:
        Substance.DoesNotExist: when the catalogue has not been loaded first.
    """
    if is_loaded():
        return False
    in_transaction_with_retries(_build)
    return True


def _build() -> None:
    now = timezone.now()
    people = _people()
    set_the_rules(actor=people["manager"], now=now, key=KEY, as_of=as_of)
    with as_of(now - timedelta(days=100)):
        places = put_up_places(people["prep"], PLACES)
        _apparatus(people["manager"], places)
    with as_of(now - timedelta(days=40)):
        equip(actor=people["manager"], places=places, now=now, key=KEY)
    _lots(people["prep"], places, now)
    sections = _courses(people)
    with as_of(now - timedelta(days=60)):
        sections = set_up_teaching(
            actor=people["manager"], people=people, sections=sections, today=timezone.localdate(now)
        )
    with as_of(now - timedelta(days=50)):
        write_lists(people=people)
    with as_of(now - timedelta(days=45)):
        plan_the_term(people=people)
    for number, order in enumerate(WEEKS, start=1):
        _live(order, f"{KEY}week-{number}", people, sections, _moment(now, order.due))
    finished_count(people, places, now=now, as_of=as_of)
    with as_of(now - timedelta(days=20)):
        fill_the_shelves(actor=people["prep"], places=places, key=KEY)
    with as_of(now - timedelta(days=2)):
        bring_in_a_delivery(actor=people["prep"], key=KEY)
    for number, order in enumerate(PAST, start=1):
        _live(order, f"{KEY}past-{number}", people, sections, _moment(now, order.due))
    for name, order in (("made", MADE_FROM_A_CHOICE), ("waits", WAITS_FOR_A_CHOICE)):
        _live(order, f"{KEY}choice-{name}", people, sections, _moment(now, order.due))
    _live(FROM_TWO_BOTTLES, f"{KEY}two-bottles", people, sections, _moment(now, FROM_TWO_BOTTLES.due))
    bring_back_leftover(actor=people["prep"], key=KEY)
    finished = replace(TODAY[0], reaches="finish", slip="")

    def finish(batch: Batch, begun: datetime) -> None:
        _work(batch, finished, f"{KEY}{batch.pk}", people["prep"], begun)

    use_a_leftover(people=people, sections=sections, now=now, as_of=as_of, work=finish, key=KEY)
    change_things(
        people=people,
        sections=sections,
        now=now,
        key=f"{KEY}changed-",
        as_of=as_of,
        draft=_draft,
        moment=_moment,
    )
    for number, order in enumerate(TODAY, start=1):
        _live(order, f"{KEY}today-{number}", people, sections, _moment(now, order.due))
    make_some_together(people=people, sections=sections, now=now, as_of=as_of, work=finish, key=KEY)
    with as_of(now - timedelta(days=1)):
        order_some_unknowns(
            people=people,
            section=sections["CH 221", "A"],
            due=_moment(now, 10.0),
            work=lambda batch, reaches, key: _work(
                batch,
                replace(TODAY[0], reaches=reaches, steps=1, slip=""),
                key,
                people["prep"],
                # One after the other, as one person works.
                now - _STEP * 12 + timedelta(seconds=batch.pk),
            ),
            key=KEY,
        )
    for number, order in enumerate(MADE_OF_IT, start=1):
        _live(order, f"{KEY}recalled-{number}", people, sections, _moment(now, order.due))
    ask_and_hurry(
        people=people, sections=sections, now=now, key=KEY, as_of=as_of, draft=_draft, moment=_moment
    )
    with as_of(now - timedelta(minutes=20)):
        call_back(actor=people["manager"], key=KEY)
    read_the_old_ones(now)
    live_with_it(
        actor=people["prep"],
        instructor=people["fell"],
        lesson=working_time(now, 10.0).replace(hour=9, minute=0),
        key=KEY,
    )
    with as_of(now - timedelta(hours=3)):
        order_two_weeks(manager=people["manager"])
    a_bottle_that_stands_wrongly(people, places, now=now, as_of=as_of)
    work_at_the_bench(
        people=people,
        sections=sections,
        now=now,
        key=f"{KEY}bench-",
        as_of=as_of,
        draft=_draft,
        moment=_moment,
        made=(_batch_of("today-1"), _batch_of("today-2")),
    )
    scan_from_now_on(actor=people["manager"], key=KEY)
    interrupted_count(people, places, now=now, as_of=as_of)


# --- time ---------------------------------------------------------------------------------------
@contextmanager
def as_of(moment: datetime) -> Iterator[None]:
    """Let everything inside happen at another time, as the services and rows see it.

    Rows of the past can't be written afterwards: the ledger refuses changes. So the clock that Django
    asks is turned back, and goes on from there.
    """
    real = timezone.now
    began = real()
    timezone.now = lambda: moment + (real() - began)
    try:
        yield
    finally:
        timezone.now = real


def working_time(now: datetime, hours: float) -> datetime:
    """A moment so many working hours away, to the half hour: Monday to Friday, 8 to 18 o'clock."""
    here = timezone.localtime(now)
    minute = 0 if here.minute < 30 else 30
    moment = here.replace(minute=minute, second=0, microsecond=0)
    step = timedelta(minutes=30) if hours >= 0 else timedelta(minutes=-30)
    left = abs(hours) * 2
    while left > 0:
        moment += step
        if moment.weekday() < _SATURDAY and _OPENS <= moment.hour + moment.minute / 60 <= _CLOSES:
            left -= 1
    return moment


def _moment(now: datetime, due: tuple[int, int] | float) -> datetime:
    if isinstance(due, tuple):
        days, hour = due
        day = timezone.localdate(now) + timedelta(days=days)
        # Nobody teaches at the weekend: the Friday before.
        day -= timedelta(days=max(0, day.weekday() - _SATURDAY + 1))
        return timezone.make_aware(datetime.combine(day, time(hour)))
    return working_time(now, due)


# --- people, places, things -----------------------------------------------------------------------
def _people() -> dict[str, User]:
    may_sign_in = {username for username, _ in DEMO_LOGINS}
    # A known password that the validators would refuse: it exists in the demo alone. Hashing takes its
    # time on purpose, so the same hash serves all who share the password.
    known = make_password(DEMO_PASSWORD)
    people = {}
    for username, first, last, role in PEOPLE:
        password = known if username in may_sign_in else make_password(None)
        people[username], _ = User.objects.get_or_create(
            username=username,
            defaults={"first_name": first, "last_name": last, "role": role, "password": password},
        )
    return people


def _apparatus(actor: User, places: dict[str, Place]) -> None:
    for balance in BALANCES:
        add_apparatus(
            actor=actor,
            type="balance",
            readability_g=balance.readability,
            capacity_g=balance.capacity,
            repeatability_g=balance.repeatability,
            linearity_g=balance.linearity,
            place=places["Balance bench"],
            note=balance.note,
        )
    for item in GLASS:
        add_apparatus(
            actor=actor,
            type=item.type,
            nominal_ml=item.size,
            division_ml=item.division,
            apparatus_class=item.apparatus_class,
            standard=item.standard,
            count=item.count,
            place=places[item.place],
        )


def _lots(actor: User, places: dict[str, Place], now: datetime) -> None:
    lots = (*LOTS, *OLD_AND_NEW)
    substances = Substance.objects.in_bulk([lot.substance for lot in lots], field_name="key")
    today = timezone.localdate(now)
    for number, lot in enumerate(lots, start=1):
        with as_of(now + timedelta(days=lot.came)):
            received = receive_lot(
                actor=actor,
                substance=substances[lot.substance],
                kind=lot.kind,
                amount=lot.amount,
                unit="g" if lot.kind == "solid" else "mL",
                assay_percent=lot.assay,
                assay_tolerance_percent=lot.assay_tolerance,
                mass_percent=lot.mass_percent,
                density_g_per_ml=lot.density,
                concentration_mol_per_l=lot.mol_per_l,
                relative_uncertainty_percent=lot.uncertainty,
                lot_number=f"D{24000 + 37 * number}",
                grade=lot.grade,
                place=places[STANDS.get(lot.substance, lot.place)],
                expires_on=today + timedelta(days=lot.expires) if lot.expires is not None else None,
                note=lot.note,
                idempotency_key=f"{KEY}lot-{number}",
            )
            if lot.opened is not None:
                with as_of(now + timedelta(days=lot.opened)):
                    open_lot(actor=actor, lot=received)
            if lot.event:
                event, reason = lot.event
                change_lot_state(actor=actor, lot=received, event=event, reason=reason)


def _courses(people: dict[str, User]) -> dict[tuple[str, str], Section]:
    sections = {}
    for code, (title, groups) in COURSES.items():
        course, _ = Course.objects.get_or_create(code=code, defaults={"title": title})
        for name, instructor, size in groups:
            sections[code, name], _ = Section.objects.get_or_create(
                course=course, name=name, defaults={"instructor": people[instructor], "groups": size}
            )
    return sections


# --- orders -----------------------------------------------------------------------------------------
def _live(
    wanted: DemoOrder,
    key: str,
    people: dict[str, User],
    sections: dict[tuple[str, str], Section],
    due: datetime,
) -> None:
    """Send an order and let it go as far as its row says, each event at its own time."""
    now = timezone.now()
    sent = min(due, now) - _LEAD
    with as_of(sent):
        order = submit_order(
            actor=people[wanted.by], draft=_draft(wanted, sections, due), idempotency_key=key
        )
    if order.batch is None or wanted.reaches == "queue":
        return
    begun = max(min(due - timedelta(hours=4), now - timedelta(hours=2)), sent + timedelta(hours=1))
    _work(order.batch, wanted, key, people["prep"], begun)


def _batch_of(name: str) -> Batch:
    batch = Order.objects.get(idempotency_key=f"{KEY}{name}").batch
    assert batch is not None
    return batch


def _draft(wanted: DemoOrder, sections: dict[tuple[str, str], Section], due: datetime) -> OrderDraft:
    chosen = [sections[wanted.course, name] for name in wanted.sections.split()]
    return OrderDraft(
        course_id=chosen[0].course_id,
        section_ids=tuple(sorted(section.pk for section in chosen)),
        components=tuple(
            DraftComponent(key, parse_number(target), unit, from_lot=_bottle(wanted.source))
            for key, target, unit in wanted.substances
        ),
        groups_per_section=wanted.groups,
        volume_per_group=parse_number(wanted.volume),
        volume_unit="mL",
        due_at=due,
        room=wanted.room,
        overage_percent=parse_number(wanted.overage),
        tolerance_percent=parse_number(wanted.tolerance) if wanted.tolerance else None,
        notes=wanted.notes,
    )


def _bottle(substance: str) -> int | None:
    return Lot.objects.values_list("pk", flat=True).get(substance__key=substance) if substance else None


def _work(batch: Batch, wanted: DemoOrder, key: str, actor: User, begun: datetime) -> None:
    """Claim, do the steps a few minutes apart, finish and hand over, as far as the row says."""
    with as_of(begun):
        claim_batch(actor=actor, batch=batch)
    if wanted.reaches == "claim":
        return
    slip = wanted.slip
    steps = sheets.current_sheet(batch).plan["steps"]
    for step in steps[: wanted.steps] if wanted.reaches == "work" else steps:
        reading = _reading(step, outside=bool(slip))
        with as_of(begun + step["number"] * _STEP):
            record_step(
                actor=actor,
                batch=batch,
                step_number=step["number"],
                reading_text=reading,
                reason=slip if reading else "",
                idempotency_key=f"{key}-step-{step['number']}",
            )
        slip = "" if reading else slip
    if wanted.reaches == "work":
        return
    done = begun + (len(steps) + 1) * _STEP
    with as_of(done):
        finish_batch(actor=actor, batch=batch, reason=wanted.slip)
    if wanted.reaches == "hand_over":
        with as_of(done + _STEP):
            hand_over_batch(actor=actor, batch=batch)


def _reading(step: dict[str, object], *, outside: bool) -> str:
    """A reading as a display would show it: a digit beside the planned amount, inside the window."""
    window = step.get("window")
    if not isinstance(window, dict):
        return ""
    quantity = step["quantity"]
    assert isinstance(quantity, dict)
    planned, low, high = (Decimal(text) for text in (quantity["value"], window["low"], window["high"]))
    digit = Decimal(1).scaleb(int(planned.as_tuple().exponent))
    if outside:
        return str(high + 3 * digit)
    beside = planned + digit
    return str(beside if low <= beside <= high else planned)
