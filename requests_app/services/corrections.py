"""A corrected bench list reaches the orders that came from it, as far as nobody has begun to make them."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, NotAllowed
from requests_app.drafts import DraftComponent, OrderDraft, draft_of
from requests_app.list_drafts import draft_for
from requests_app.models import BenchListVersion, ListSolution, Order, OrderRevision
from requests_app.selectors import department_rules
from requests_app.selectors.bench_lists import may_write
from requests_app.selectors.corrections import Correction, correction_of, line_values
from requests_app.services.changing import Wish, rewrite_orders
from requests_app.services.dropping import drop_orders
from requests_app.services.revisions import lock_orders, order_again, rehearse
from requests_app.services.telling_changes import tell_changed

_NUMBERS = ("volume_per_group", "per_section", "overage_percent", "tolerance_percent", "temperature_c")


@dataclass(slots=True)
class Corrected:
    """What a correction did, or would do.

    Attributes:
        revisions: of the orders that follow it.
        added: orders of its new lines.
        begun: orders that are made or made already, and stay as they are.
    """

    revisions: list[OrderRevision] = field(default_factory=list)
    added: list[Order] = field(default_factory=list)
    begun: list[Order] = field(default_factory=list)


def apply_correction(
    *,
    actor: User,
    version: BenchListVersion,
    seen: Iterable[int],
    order_new_lines: bool,
    cancel_removed_lines: bool,
    idempotency_key: str,
    rehearsal: bool = False,
) -> Corrected:
    """Let every open order of an older version follow a corrected one, for all instructors at once.

    Only what the correction changed is changed: what somebody set otherwise on an order stays.

    Args:
        version: the newest of its list.
        seen: keys of the orders that the page showed; others that came since are told.
        order_new_lines: send an order for each new line to every meeting that has orders of the list.
        cancel_removed_lines: cancel the orders of lines that are gone.
        rehearsal: say what it would do, and do nothing.

    Raises:
        NotAllowed: somebody who doesn't teach the course.
        Conflict: it is not the newest version, or there are other orders than the page showed.
    """
    policy.require(actor, "write_bench_list")
    if not may_write(actor, version.bench_list):
        raise NotAllowed(
            f"{version.bench_list} is written by those who teach {version.bench_list.course.code}."
        )

    def correct() -> Corrected:
        BenchListVersion.objects.select_for_update().get(pk=version.pk)
        revisions = OrderRevision.objects.filter(idempotency_key__endswith=f"-{idempotency_key}")
        if revisions.exists():
            return Corrected(list(revisions.select_related("order")))
        _require_newest(version)
        found = correction_of(version)
        batches, _ = lock_orders([order.pk for order in found.orders])
        # Once more under the locks: somebody may have claimed a batch in between.
        found = correction_of(version)
        if not {order.pk for order in found.orders} <= set(seen):
            raise Conflict(
                "More was ordered from this list since the page was shown. Look again; nothing is done yet."
            )
        done = Corrected(begun=list(found.begun))
        said = f"Corrected in version {version.number} of {version.bench_list.title}"
        common = f"{said}: {version.reason}" if version.reason else said
        locked = {order.pk: order for order in Order.objects.filter(pk__in=[o.pk for o in found.orders])}
        wishes = [Wish(locked[o.pk], _followed(locked[o.pk], old, new)) for o, old, new in found.follow]
        preface = {order.pk: f"{common.rstrip('.')}." for order in found.orders}
        done.revisions += rewrite_orders(
            actor=actor,
            batches=batches,
            wishes=wishes,
            reason=said,
            key=idempotency_key,
            preface=preface,
            rehearsal=rehearsal,
        )
        for order, _, new in found.follow:
            # Also where nothing of the line was changed: it is one of the newest version now.
            Order.objects.filter(pk=order.pk).update(list_solution=new)
        if cancel_removed_lines:
            done.revisions += drop_orders(
                actor=actor,
                batches=batches,
                orders=[locked[order.pk] for order in found.removed],
                reason=said,
                key=idempotency_key,
                preface=preface,
            )
        if order_new_lines:
            done.added += _order_missing(actor, found, said, idempotency_key)
        tell_changed(actor=actor, revisions=done.revisions)
        return done

    return rehearse(correct) if rehearsal else in_transaction_with_retries(correct)


def _order_missing(actor: User, found: Correction, said: str, key: str) -> list[Order]:
    rules = department_rules()
    return [
        order_again(
            actor=actor,
            order=sample,
            draft=draft_for(line, sample.meeting, rules),
            key=f"{key}-line-{line.pk}-{sample.meeting_id}",
            note=said,
        )
        for sample, line in found.missing
        if sample.meeting is not None
    ]


def _followed(order: Order, old: ListSolution, new: ListSolution) -> OrderDraft:
    """The order with what the correction changed; what somebody set otherwise on it stays."""
    before, after = line_values(old), line_values(new)
    corrected = {name: value for name, value in after.items() if value != before[name]}
    return replace(_drafted(draft_of(order), corrected), list_solution_id=new.pk)


def _drafted(draft: OrderDraft, values: dict[str, Any]) -> OrderDraft:
    typed = dict(values)
    for name in _NUMBERS:
        if name in typed:
            typed[name] = parse_number(typed[name]) if typed[name] else None
    if "components" in typed:
        chosen = {one.substance_key: one.from_lot for one in draft.components}
        typed["components"] = tuple(
            DraftComponent(key, parse_number(target), unit, equivalents, chosen.get(key))
            for key, target, unit, equivalents in typed["components"]
        )
    return replace(draft, **typed)


def _require_newest(version: BenchListVersion) -> None:
    newest = version.bench_list.versions.order_by("-number").values_list("number", flat=True)[0]
    if newest != version.number:
        raise Conflict(
            f"{version.bench_list} has version {newest} by now; let that one reach the orders instead."
        )
