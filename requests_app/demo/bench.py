"""What happens at the bench: work that rests, a bottle that ran out, a spill, a second look, the cart."""

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, Final

from django.utils import timezone

from inventory.models import Lot, Substance, WasteStream
from inventory.services import receive_lot
from prepdesk.accounts.models import User
from requests_app import sheets
from requests_app.demo.days import DemoOrder
from requests_app.demo.following import change_rules
from requests_app.drafts import OrderDraft
from requests_app.models import Batch, Section
from requests_app.services.claiming import claim_batch, pause_batch
from requests_app.services.orders import submit_order
from requests_app.services.portions import deliver_portions, load_portion, pour_portions
from requests_app.services.recording import record_step
from requests_app.services.returning import mark_empty, take_back
from requests_app.services.running_out import run_out
from requests_app.services.second_check import ask_check
from requests_app.services.spilling import note_spill

AsOf = Callable[[datetime], AbstractContextManager[None]]
Sections = dict[tuple[str, str], Section]

RESTS: Final = DemoOrder(
    "fell", "CH 240", "B", (("zinc-sulfate-heptahydrate", "0.20", "mol/L"),), "25", 9, "305", 7.0
)
RUNS_OUT: Final = DemoOrder("instructor", "CH 101", "A B", (("tris", "0.50", "mol/L"),), "20", 12, "210", 8.0)
SPILLED: Final = DemoOrder(
    "quill", "CH 240", "A", (("iron-iii-chloride-hexahydrate", "0.10", "mol/L"),), "25", 9, "305", 9.0
)
LOOKED_AT: Final = DemoOrder(
    "quill", "CH 221", "B", (("sulfuric-acid", "0.5", "mol/L"),), "50", 8, "214", 5.0
)
# What a bottle of the shelf is said to hold [g], and how much of what was asked for came out of it [1].
_SAID: Final = "90"
_CAME: Final = Decimal("0.4")
_MINUTES: Final = timedelta(minutes=4)


def work_at_the_bench(
    *,
    people: dict[str, User],
    sections: Sections,
    now: datetime,
    key: str,
    as_of: AsOf,
    draft: Callable[[DemoOrder, Sections, datetime], OrderDraft],
    moment: Callable[[datetime, tuple[int, int] | float], datetime],
    made: tuple[Batch, Batch],
) -> None:
    """Send these orders, and let happen to each what its name says; then fill and empty the cart.

    Args:
        made: two batches that stand ready, the first for what is delivered and the other for the cart.
    """
    prep, other = people["prep"], people["thorne"]

    def send(wanted: DemoOrder, name: str) -> Batch:
        with as_of(now - timedelta(days=3)):
            order = submit_order(
                actor=people[wanted.by],
                draft=draft(wanted, sections, moment(now, wanted.due)),
                idempotency_key=f"{key}{name}",
                made_alone=True,
            )
        assert order.batch is not None, order.waiting_for
        return order.batch

    def go(
        batch: Batch, actor: User, began: datetime, name: str, *, until: Callable[[Step], bool]
    ) -> Step | None:
        """Claim a batch and do its steps, up to the first that ``until`` says; that step."""
        with as_of(began):
            claim_batch(actor=actor, batch=batch)
        for step in _steps(batch):
            if until(step):
                return step
            with as_of(began + step["number"] * _MINUTES):
                _do(batch, step, actor, f"{key}{name}-{step['number']}")
        return None

    rests = send(RESTS, "rests")
    go(rests, other, now - timedelta(minutes=55), "rests", until=lambda step: step["number"] > 2)
    with as_of(now - timedelta(minutes=30)):
        pause_batch(actor=other, batch=rests, note="it stands at the balance, covered and labelled")

    with as_of(now - timedelta(days=90)):
        little = _a_bottle_that_holds_less(prep, key)
    runs_out = send(RUNS_OUT, "runs-out")
    step = go(runs_out, prep, now - timedelta(minutes=70), "runs-out", until=_takes_from_a_bottle)
    assert step is not None
    assert step["lot"]["code"] == little.code, step["lot"]
    with as_of(now - timedelta(minutes=62)):
        run_out(
            actor=prep,
            batch=runs_out,
            step_number=step["number"],
            gave_text=_part(step, _CAME),
            other_lot=Lot.objects.exclude(pk=little.pk).get(substance=little.substance, kind="solid"),
            idempotency_key=f"{key}runs-out",
        )

    spilled = send(SPILLED, "spilled")
    step = go(spilled, other, now - timedelta(minutes=25), "spilled", until=_takes_from_a_bottle)
    assert step is not None
    with as_of(now - timedelta(minutes=22)):
        note_spill(
            actor=other,
            batch=spilled,
            step_number=step["number"],
            lot=Lot.objects.get(code=step["lot"]["code"]),
            amount_text="2.5",
            waste_stream=WasteStream.objects.filter(in_use=True).first(),
            idempotency_key=f"{key}spilled",
        )

    with as_of(now - timedelta(minutes=115)):
        _switch_on(people["manager"], f"{key}switches")
    looked_at = send(LOOKED_AT, "looked-at")
    go(looked_at, other, now - timedelta(minutes=110), "looked-at", until=lambda step: False)
    with as_of(now - timedelta(minutes=15)):
        ask_check(actor=other, batch=looked_at, idempotency_key=f"{key}looked-at")

    _go_round(people, made, now, as_of)


def scan_from_now_on(*, actor: User, key: str) -> None:
    """All bottles carry labels by now."""
    change_rules(actor, f"{key}scans", {"scan_bottles": "on"})


Step = dict[str, Any]


def _takes_from_a_bottle(step: Step) -> bool:
    return bool(step.get("lot"))


def _steps(batch: Batch) -> Iterator[Step]:
    yield from sheets.current_sheet(batch).plan["steps"]


def _do(batch: Batch, step: Step, actor: User, key: str) -> None:
    record_step(
        actor=actor,
        batch=batch,
        step_number=step["number"],
        reading_text=step["quantity"]["value"] if step.get("window") else "",
        idempotency_key=key,
    )


def _part(step: Step, part: Decimal) -> str:
    planned = Decimal(step["quantity"]["value"])
    return str((planned * part).quantize(Decimal(1).scaleb(int(planned.as_tuple().exponent))))


def _a_bottle_that_holds_less(actor: User, key: str) -> Lot:
    """The first to be used, since it expires first; somebody took of it without writing it down."""
    return receive_lot(
        actor=actor,
        substance=Substance.objects.get(key="tris"),
        kind="solid",
        amount=_SAID,
        unit="g",
        assay_percent="99.5",
        assay_tolerance_percent="0.2",
        lot_number="D31007",
        grade="analytical reagent",
        expires_on=timezone.localdate() + timedelta(days=150),
        idempotency_key=f"{key}holds-less",
    )


def _switch_on(actor: User, key: str) -> None:
    change_rules(actor, key, {"check_strong_acids": "on", "check_restricted": "on", "hands": "2"})


def _go_round(people: dict[str, User], made: tuple[Batch, Batch], now: datetime, as_of: AsOf) -> None:
    """One solution was delivered, and its bottles come back; another stands on the cart."""
    prep = people["prep"]
    delivered, on_the_cart = made
    with as_of(now - timedelta(minutes=14)):
        bottles = pour_portions(actor=prep, batch=delivered)
    with as_of(now - timedelta(minutes=11)):
        deliver_portions(actor=prep, portions=bottles, received_by=bottles[0].order.ordered_by)
    with as_of(now - timedelta(minutes=4)):
        take_back(
            actor=prep,
            portion=bottles[0],
            amount="40",
            condition="clean",
            where="apart",
            keep_until=timezone.localdate(now) + timedelta(days=3),
        )
        for bottle in bottles[1:2]:
            mark_empty(actor=prep, portion=bottle)
    with as_of(now - timedelta(minutes=12)):
        load_portion(actor=prep, portion=pour_portions(actor=prep, batch=on_the_cart)[0])
