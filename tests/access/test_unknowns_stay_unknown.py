"""What is in a coded sample is found by those who may read it and by nobody else, at every address.

One set has a sample in every state. Everybody asks every address of the table of routes about every sample,
by get and by post; nothing in an answer may be one of the figures.
"""

import html
import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from django.apps import apps
from django.db import models, transaction
from django.urls import reverse
from django.utils import timezone

from inventory.models import Lot
from inventory.services import hold_stock
from prepdesk.accounts.models import Notice
from prepdesk.accounts.tokens import issue_token
from prepdesk.calc.typed import parse_number
from requests_app import sheets
from requests_app.models import Batch, Order, Section, UnknownSet
from requests_app.services import unknowns as service
from requests_app.services.batching import take_out
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch
from requests_app.services.orders import cancel_order, lock_order, replan_order
from requests_app.services.recording import record_step
from requests_app.services.stopping import stop_batch
from tests.access.test_routes import ROWS, Row
from tests.conftest import make_person, one_of_the_cast

pytestmark = [pytest.mark.django_db, pytest.mark.timeout(400)]

STATES = ("waiting", "queued", "claimed", "in_work", "ready", "handed_over", "cancelled", "stopped")
DRAWN = ("0.1379", "0.1423", "0.1487", "0.1531", "0.1597", "0.1643", "0.1709", "0.1763")
# To claim a sample is to become the one who may read it; that is written into the history of the key.
BECOMES_THE_MAKER = "requests_app:claim"
# Whoever signed out would ask the rest as nobody.
NOT_ASKED = {BECOMES_THE_MAKER, "accounts:sign_out"}
# The ledger of the bottle something was weighed from says how much: the stockroom counts by it. It stands
# there under the number of the batch.
LEDGER = frozenset(
    {
        "inventory:lot",
        "inventory:file_ledger",
        "inventory:movement_reverse",
        # Leads back to the page of the bottle.
        "inventory:lot_opened",
    }
)

SENT_BY_A_DEVICE = "requests_app:record"
TYPED = {"reading": "1.0", "reason": "x", "close": "1", "component": "0", "lot": "L000177", "key": "k"}
# What the pages of the bench send besides: where the work stands decides what they answer.
AT_THE_BENCH: dict[str, tuple[dict[str, str], ...]] = {
    SENT_BY_A_DEVICE: (
        {
            "key": "k", "person": "1", "version": "1", "revision": "1", "reading": "1.0", "after": "",
            "taken_at": "2026-12-01T09:00:00Z", "sent_at": "2026-12-01T09:00:00Z",
        },
    ),
    "requests_app:run_out": (
        {"key": "k", "version": "1", "gave": "1.0"},
        {"key": "k", "version": "1", "gave": "1.0", "lot": "L00001N"},
        {"key": "k", "version": "1", "gave": "0", "lot": "L00001N", "go_on": "1"},
    ),
    "requests_app:mishap": (
        {"key": "k", "version": "1", "what": "spilled", "lot": "L00001N", "how": "bottle", "amount": "9999"},
        {"key": "k", "version": "1", "what": "spilled", "lot": "L00001N", "how": "1"},
        {"key": "k", "version": "1", "what": "overshot", "reading": "99"},
        {"key": "k", "version": "1", "what": "broken", "in_it": "lost"},
        {"key": "k", "version": "1", "what": "failed", "why": "spilled"},
    ),
    "requests_app:check": tuple(
        {"do": do, "key": "k", "version": "1", "check_id": "1", "step": "1", "note": "x", "added": "1"}
        for do in ("ask", "sign", "send_back")
    ),
    "requests_app:scan": ({"key": "k", "scan": "L00001N"}, {"key": "k", "scan": "L00002L"}),
}  # fmt: skip


@dataclass(frozen=True)
class Secret:
    """The figures of one set."""

    unknowns: UnknownSet
    concentrations: frozenset[str]
    amounts: frozenset[str]
    addresses: tuple[dict[str, Any], ...]


def work(batch: Batch, actor: Any, upto: str) -> None:
    claim_batch(actor=actor, batch=batch)
    if upto == "claimed":
        return
    steps = sheets.current_sheet(batch).plan["steps"]
    for step in steps[:1] if upto in ("in_work", "stopped") else steps:
        record_step(
            actor=actor,
            batch=batch,
            step_number=step["number"],
            reading_text=step["quantity"]["value"] if step.get("window") else "",
            reason="",
            idempotency_key=f"{batch.pk}-{step['number']}",
        )
    if upto == "stopped":
        mass = steps[0]["quantity"]["value"]
        stop_batch(actor=actor, batch=batch, reason=f"spilt {mass} g")
    if upto in ("ready", "handed_over"):
        finish_batch(actor=actor, batch=batch)
    if upto == "handed_over":
        hand_over_batch(actor=actor, batch=batch)


def let_wait(order: Order, salt: Any, actor: Any) -> None:
    with transaction.atomic():
        batch, locked = lock_order(order)
        take_out(actor=actor, order=locked, batch=batch, reason="taken out")
    salt.refresh_from_db()
    hold_stock(actor=actor, draws={salt.pk: salt.free}, purpose="an examination", idempotency_key="all of it")
    replan_order(actor=actor, order=order)


@pytest.fixture(scope="module")
def secret(world, cast) -> Secret:
    instructor, prep = cast["owner"], cast["prep"]
    salt = Lot.objects.get(code=world["lot"])
    section = Section.objects.filter(instructor=instructor).earliest("pk")
    named = make_person("nora", "instructor")
    other = make_person("cora", "instructor")
    section.co_instructors.add(other)
    draft = service.UnknownsDraft(
        course_id=section.course_id,
        section_ids=(section.pk,),
        reader_ids=(named.pk,),
        title="Chloride by titration",
        substance_key="sodium-chloride",
        lowest=parse_number("0.1300"),
        highest=parse_number("0.1800"),
        unit="mol/L",
        count=len(DRAWN),
        spares=0,
        apart_percent=None,
        volume_per_sample=parse_number("250"),
        volume_unit="mL",
        due_at=timezone.now() + timedelta(days=2),
        room="210",
        tolerance_percent=parse_number("1"),
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(service, "draw_concentrations", lambda *_args, **_more: DRAWN)
        made = service.order_unknowns(actor=instructor, draft=draft, idempotency_key="leak")
    orders = dict(zip(STATES, (sample.order for sample in made.samples.all()), strict=True))
    assert {order.state for order in orders.values()} == {"queued"}
    for state in ("claimed", "in_work", "ready", "handed_over", "stopped"):
        work(Order.objects.get(pk=orders[state].pk).batch, prep, state)
    cancel_order(actor=instructor, order=orders["cancelled"])
    let_wait(Order.objects.get(pk=orders["waiting"].pk), salt, cast["manager"])
    there = {state: Order.objects.get(pk=order.pk).state for state, order in orders.items()}
    # What was given up is planned again at once, before the bottle was held for something else.
    expected = {state: "in_work" if state == "claimed" else state for state in STATES}
    assert there == {**expected, "stopped": "queued"}
    batches = list(Batch.objects.filter(unknown_of=instructor).select_related("prepared_lot"))
    assert len(batches) == len(STATES) + 1
    return Secret(
        unknowns=made,
        concentrations=frozenset(DRAWN) | {text for batch in batches for text in found_in(batch)},
        amounts=frozenset(text for batch in batches for text in weighed_in(batch)),
        addresses=tuple(addresses(world, made, batches)),
    )


def found_in(batch: Batch) -> Iterator[str]:
    for one in (batch.settlement or {}).get("concentrations", ()):
        yield one["value"]


def weighed_in(batch: Batch) -> Iterator[str]:
    for step in sheets.current_sheet(batch).plan["steps"]:
        if step.get("window") and step.get("lot"):
            figures = (step["quantity"]["value"], step["window"]["low"], step["window"]["high"])
            # Shorter ones stand on many a page for another reason.
            yield from (text for text in figures if len(text.replace(".", "")) > 3)


def addresses(world: dict[str, Any], made: UnknownSet, batches: list[Batch]) -> Iterator[dict[str, Any]]:
    """The arguments of the routes: once for every sample with its batch and lot, once for the bottle."""
    base = {**world, "unknowns": made.reference}
    for sample in made.samples.select_related("order__batch__prepared_lot"):
        order = sample.order
        lot = order.batch.prepared_lot.code if order.batch and order.batch.prepared_lot else world["lot"]
        batch = order.batch.reference if order.batch else world["batch"]
        yield {**base, "order": order.reference, "batch": batch, "lot": lot}
    for batch in batches:
        if not batch.orders.exists():
            yield {**base, "batch": batch.reference}
    yield base


def read(answer: Any) -> str:
    """All that an answer says, in its pages and its headers; a workbook is unpacked."""
    body = b"".join(answer.streaming_content) if answer.streaming else answer.content
    if body[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(body)) as book:
            body = b"".join(book.read(name) for name in book.namelist())
    headers = " ".join(f"{name}: {value}" for name, value in answer.headers.items())
    headers += " ".join(address for address, _ in getattr(answer, "redirect_chain", ()))
    return html.unescape(f"{headers}\n{body.decode('utf-8', 'replace')}")


def asked(row: Row, secret: Secret) -> Iterator[str]:
    """Every address of a row, each once."""
    seen = set()
    for world in secret.addresses:
        arguments = [world[name] for name in row.arguments]
        address = reverse(row.name, args=arguments)
        if address not in seen:
            seen.add(address)
            yield address


def answers(client: Any, row: Row, address: str) -> Iterator[Any]:
    for answer in _answers(client, row, address):
        assert answer.status_code != 401, address
        led = answer.headers.get("Location", "") + str(getattr(answer, "redirect_chain", ""))
        assert "sign-in" not in led, address
        yield answer


def _answers(client: Any, row: Row, address: str) -> Iterator[Any]:
    if row.method == "get":
        yield client.get(address)
        return
    for typed in [TYPED, *AT_THE_BENCH.get(row.name, ())]:
        # What a post changes is undone, so that the next one meets the same states.
        with transaction.atomic():
            if row.name == SENT_BY_A_DEVICE:
                yield client.post(address, json.dumps(typed), content_type="application/json")
            else:
                yield client.post(address, typed, follow=True)
            transaction.set_rollback(True)


def leaks(client: Any, secret: Secret, rows: list[Row] = ROWS) -> set[tuple[str, str, str]]:
    found = set()
    for row in rows:
        for address in asked(row, secret):
            for answer in answers(client, row, address):
                said = read(answer)
                found |= {(row.name, address, text) for text in secret.concentrations if text in said}
                if row.name not in LEDGER:
                    found |= {(row.name, address, text) for text in secret.amounts if text in said}
    return found


@pytest.mark.parametrize("who", ["colleague", "co-instructor", "other prep", "manager"])
def test_nobody_else_finds_a_figure_at_any_address(who, secret, client, cast):
    if who == "other prep":
        other = one_of_the_cast("paul")
    else:
        other = secret.unknowns.sections.get().co_instructors.get() if who == "co-instructor" else cast[who]
    client.force_login(other)
    client.defaults["HTTP_AUTHORIZATION"] = f"Token {issue_token(actor=other, name='all')[1]}"
    # The queue and the lists in every choice of what they show, and the form that copies an order.
    for address in (
        *(f"{reverse('requests_app:queue')}?show={show}" for show in ("unclaimed", "mine", "ready", "done")),
        *(f"{reverse('requests_app:order_list')}?show={show}" for show in ("ready", "done", "all")),
        *(
            f"{reverse('requests_app:order_new')}?like={sample.order.reference}"
            for sample in secret.unknowns.samples.all()
        ),
        *(f"{reverse('requests_app:sheet', args=[b.reference])}?revision=1" for b in Batch.objects.all()),
    ):
        said = read(client.get(address))
        assert not [text for text in secret.concentrations | secret.amounts if text in said], address
    assert leaks(client, secret, [row for row in ROWS if row.name not in NOT_ASKED]) == set()


def test_the_same_search_finds_the_figures_of_those_who_may_read_them(secret, client, cast):
    """A search that found nothing anywhere would find no leak either."""
    rows = {(row.name, row.method): row for row in ROWS}

    def found(name: str, method: str = "get") -> set[str]:
        return {text for _, _, text in leaks(client, secret, [rows[f"requests_app:{name}", method]])}

    client.force_login(cast["owner"])
    assert found("unknown_key") == set(), "a key is not opened by following a link"
    assert set(DRAWN) <= found("unknown_key", "post")
    assert set(DRAWN) <= found("unknown_key_csv", "post")
    assert secret.amounts & found("order")
    client.force_login(secret.unknowns.readers.get())
    assert set(DRAWN) <= found("unknown_key", "post")
    assert found("order") == set(), "a named reader reads the key, where it is written down"
    # The maker reads what they claimed: at the bench, being made, ready, handed over; nothing of the others.
    client.force_login(cast["prep"])
    held = {STATES.index(state) for state in ("claimed", "in_work", "ready", "handed_over", "stopped")}
    orders = list(Order.objects.filter(unknown_sample__isnull=False).order_by("unknown_sample__position"))
    for position, order in enumerate(orders):
        if order.batch is None:
            continue
        said = read(client.get(reverse("requests_app:sheet", args=[order.batch.reference])))
        mass = sheets.current_sheet(order.batch).plan["steps"][0]["quantity"]["value"]
        claimed_anew = position in held and STATES[position] != "stopped"
        assert (mass in said) == claimed_anew, STATES[position]
        assert ("Maker’s copy" in said) == claimed_anew


def test_the_ledger_of_the_bottle_keeps_what_was_weighed_without_the_code(secret, client):
    """The stockroom must know where its salt went; the code is not beside it."""
    client.force_login(one_of_the_cast("paul"))
    said = read(client.get(reverse("inventory:lot", args=[secret.addresses[-1]["lot"]])))
    assert [text for text in secret.amounts if text in said]
    assert not [text for text in secret.concentrations if text in said]
    for sample in secret.unknowns.samples.all():
        ledger = said[said.index("Ledger and history") :]
        assert sample.code not in ledger


# The rows that hold a figure, because somebody may read it there.
HOLDS_FIGURES = {
    "OrderComponent",
    "Sheet",
    "Batch.settlement",
    "StepRecord",
    "Mishap",
    "Order.waiting_for",
    "OrderEvent.note",
    "BatchEvent.note",
}


def test_a_figure_stands_in_no_other_row_of_the_database(secret):
    found = set()
    for model in apps.get_models():
        if model.__module__.startswith("django."):
            continue
        for field in model._meta.concrete_fields:
            if not isinstance(field, models.CharField | models.TextField | models.JSONField):
                continue
            for value in model.objects.values_list(field.name, flat=True):
                if any(text in str(value) for text in secret.concentrations | secret.amounts):
                    found.add(f"{model.__name__}.{field.name}")
    assert "OrderComponent.target_value" in found
    assert {name for name in found if not {name, name.split(".")[0]} & HOLDS_FIGURES} == set()


def test_notices_which_mails_repeat_carry_no_figure(secret, cast):
    assert Notice.objects.filter(person=cast["owner"], text__contains=secret.unknowns.reference).exists()
    said = " ".join(Notice.objects.values_list("text", flat=True))
    assert not [text for text in secret.concentrations | secret.amounts if text in said]
