"""A meeting is moved, resized, cancelled or takes place again: for all of its orders, in one action.

Locks are taken meetings first, then batches, then orders, each in key order; lots and apparatus follow.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from django.db.models import Q

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from requests_app import states
from requests_app.concealing import is_unknown
from requests_app.drafts import OrderDraft, draft_of
from requests_app.models import Meeting, MeetingEvent, Order, OrderRevision, Portion
from requests_app.services.changing import (
    Wish,
    rewrite_orders,
)
from requests_app.services.dropping import drop_orders
from requests_app.services.meeting_wishes import (
    MeetingWish,
    as_it_is,
    check_wish,
    clash_words,
    difference,
    event_word,
    preface,
    require_fresh,
    require_own,
    require_to_come,
    sentence,
)
from requests_app.services.portion_moves import follow_orders
from requests_app.services.revisions import lock_orders, order_again, rehearse
from requests_app.services.telling_changes import (
    makers_of,
    people_of_meeting,
    tell_makers,
    tell_meeting_changed,
)

_NOTE: Final = 300
_REASON: Final = 200
REHEARSAL: Final = "rehearsal"


@dataclass(slots=True)
class Outcome:
    """What a change of meetings did, or would do.

    Attributes:
        events: of the meetings, in the order of their keys.
        revisions: of their orders.
        added: orders that are there again.
        warnings: what nobody refuses and somebody should know.
        told: who gets a notice, each once.
    """

    events: list[MeetingEvent] = field(default_factory=list)
    revisions: list[OrderRevision] = field(default_factory=list)
    added: list[Order] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    told: list[User] = field(default_factory=list)


def change_meeting(
    *,
    actor: User,
    meeting: Meeting,
    wish: MeetingWish,
    reason: str,
    expected_version: int,
    idempotency_key: str,
) -> Outcome:
    """Move, resize, cancel or reinstate a meeting with all of its orders, in one transaction.

    Orders follow in time, room and number of groups. Those of a cancelled meeting are cancelled, their stock
    is free, and what is begun is theirs no longer; when it takes place after all they are ordered again.
    Sending the same form twice changes once.

    Raises:
        NotAllowed: neither a section of the actor's nor a manager.
        InvalidInput: by field (``starts``, ``ends``, ``groups``, ``reason``), or nothing is different.
        NotInThisState: the meeting is over.
        Conflict: somebody changed it meanwhile; the text says what.
    """
    return in_transaction_with_retries(
        lambda: _change(actor, {meeting.pk: wish}, reason, {meeting.pk: expected_version}, idempotency_key)
    )


def foresee_meeting(
    *, actor: User, meeting: Meeting, wish: MeetingWish, reason: str, expected_version: int
) -> Outcome:
    """What :func:`change_meeting` would do now; nothing of it stays.

    Raises:
        As :func:`change_meeting`.
    """
    return rehearse(
        lambda: _change(actor, {meeting.pk: wish}, reason, {meeting.pk: expected_version}, REHEARSAL)
    )


def cancel_meetings(
    *,
    actor: User,
    meetings: Sequence[Meeting],
    reason: str,
    expected_versions: Mapping[int, int],
    idempotency_key: str,
    rehearsal: bool = False,
) -> Outcome:
    """Cancel several meetings in one action: a day that falls out, a room that can't be used.

    Args:
        expected_versions: of the meetings on the page, by key.
        rehearsal: say what it would do, and do nothing.

    Raises:
        As :func:`change_meeting`.
    """
    wishes = {one.pk: replace(as_it_is(one), takes_place=False) for one in meetings}
    if rehearsal:
        return rehearse(lambda: _change(actor, wishes, reason, expected_versions, REHEARSAL))
    return in_transaction_with_retries(
        lambda: _change(actor, wishes, reason, expected_versions, idempotency_key)
    )


# --- inside ---------------------------------------------------------------------------------------
def _change(
    actor: User,
    wishes: Mapping[int, MeetingWish],
    reason: str,
    versions: Mapping[int, int],
    key: str,
) -> Outcome:
    policy.require(actor, "change_meeting")
    why = " ".join(reason.split())
    if len(why) > _REASON:
        raise InvalidInput({"reason": f"At most {_REASON} characters."})
    rows = Meeting.objects.select_for_update().filter(pk__in=wishes).order_by("pk")
    meetings = list(rows)
    for meeting in meetings:
        require_own(actor, meeting.section)
    done = done_before(key)
    if done is not None:
        return done
    outcome = Outcome()
    parts = []
    for meeting in meetings:
        wish = wishes[meeting.pk]
        require_fresh(meeting, versions.get(meeting.pk))
        require_to_come(meeting)
        check_wish(meeting, wish)
        note = difference(meeting, wish)
        if note:
            parts.append((meeting, wish, f"{note} {sentence(why)}".strip()))
            outcome.warnings += clash_words(meeting, wish)
    if not parts:
        raise InvalidInput({"": "Nothing is different from how it stands."})
    carry_out(actor, parts, why, key, outcome)
    return outcome


def carry_out(
    actor: User,
    parts: Sequence[tuple[Meeting, MeetingWish, str]],
    reason: str,
    key: str,
    outcome: Outcome,
    *,
    event_name: str = "",
) -> None:
    """Change locked meetings and everything that was ordered for them.

    Args:
        parts: each meeting, how it is wanted, and what its history says.
        outcome: is filled in.
        event_name: for all of them, where it is not each one's own.
    """
    poured = _poured_beside([meeting.section_id for meeting, _, _ in parts])
    mine_or_poured = Q(meeting__in=[meeting.pk for meeting, _, _ in parts]) | Q(pk__in=poured)
    keys = Order.objects.filter(mine_or_poured)
    open_keys = keys.filter(state__in=states.OPEN_ORDER_STATES).values_list("pk", flat=True)
    batches, orders = lock_orders(open_keys)
    of_meeting: dict[int, list[Order]] = {}
    for order in orders:
        if order.is_open:
            of_meeting.setdefault(order.meeting_id or 0, []).append(order)
    wishes: list[Wish] = []
    dropped: list[Order] = []
    prefaces: dict[int, str] = {}
    told: list[tuple[MeetingEvent, set[int], list[Order]]] = []
    for meeting, wish, note in parts:
        mine = of_meeting.get(meeting.pk, [])
        prefaces |= {order.pk: preface(meeting, wish, note) for order in mine}
        added: list[Order] = []
        if meeting.state == states.CANCELLED and wish.takes_place:
            added = _order_again(actor, meeting, wish, key)
        elif not wish.takes_place:
            dropped += mine
        else:
            wishes += [Wish(order, _followed(order, meeting, wish)) for order in mine]
        event = _write_down(
            actor, meeting, wish, note=note, key=key, event=event_name or event_word(meeting, wish)
        )
        outcome.events.append(event)
        outcome.added += added
        told.append((event, {order.pk for order in mine}, added))
    why = reason or "the meeting was changed"
    outcome.revisions += rewrite_orders(
        actor=actor,
        batches=batches,
        wishes=wishes,
        reason=why,
        key=key,
        preface=prefaces,
        rehearsal=key == REHEARSAL,
    )
    outcome.revisions += drop_orders(
        actor=actor, batches=batches, orders=dropped, reason=why, key=key, preface=prefaces
    )
    for pk in sorted({order.batch_id for order in orders if order.pk in poured and order.batch_id}):
        follow_orders(actor=actor, batch=batches[pk])
    _tell(actor, told, outcome)


def _poured_beside(sections: Sequence[int]) -> set[int]:
    """Orders for several sections at once, of which a bottle for one of these stands poured: no order of the
    meeting, and yet its bottle goes where the section meets."""
    waiting = Portion.objects.filter(
        section__in=sections, state__in=states.WAITING_PORTIONS, order__meeting=None
    )
    return set(waiting.values_list("order_id", flat=True))


def _tell(actor: User, told: Sequence[tuple[MeetingEvent, set[int], list[Order]]], outcome: Outcome) -> None:
    people: dict[int, User] = {}
    for event, orders, added in told:
        mine = [revision for revision in outcome.revisions if revision.order_id in orders]
        tell_meeting_changed(actor=actor, event=event, revisions=mine, orders=added)
        found = people_of_meeting(actor=actor, meeting=event.meeting, revisions=mine, orders=added)
        people |= {person.pk: person for person in found}
    tell_makers(actor=actor, revisions=outcome.revisions)
    people |= {person.pk: person for person in makers_of(actor=actor, revisions=outcome.revisions)}
    outcome.told = sorted(people.values(), key=str)


def _followed(order: Order, meeting: Meeting, wish: MeetingWish) -> OrderDraft:
    """What an order for a meeting is when the meeting is as wished."""
    draft = draft_of(order)
    was, will = meeting.room or meeting.section.room, wish.room or meeting.section.room
    # An order that somebody wants elsewhere stays there.
    room = will.code if will and (was is None or order.room == was.code) else order.room
    # How much of a coded sample there is stands in its key, whatever the class.
    groups = order.groups_per_section if is_unknown(order) else wish.groups or meeting.section.groups
    return replace(
        draft,
        due_at=order.due_at + (wish.starts_at - meeting.starts_at),
        room=room,
        groups_per_section=groups,
    )


def _order_again(actor: User, meeting: Meeting, wish: MeetingWish, key: str) -> list[Order]:
    """What was cancelled with the meeting is ordered again, unless somebody did so already."""
    last = meeting.events.filter(event="cancel").order_by("-pk").first()
    if last is None:
        return []
    cancelled = meeting.orders.filter(
        state=states.CANCELLED, revisions__idempotency_key__endswith=f"-{_of_event(last)}"
    ).order_by("pk")
    there = set(meeting.orders.exclude(state=states.CANCELLED).values_list("list_line", flat=True)) - {None}
    return [
        order_again(
            actor=actor,
            order=order,
            draft=_followed(order, meeting, wish),
            key=f"{key}-again-{order.pk}",
            note=f"In place of {order.reference}: the section meets after all",
        )
        for order in cancelled
        # A coded sample is drawn and ordered as a set, not one by one.
        if order.list_line not in there and not is_unknown(order)
    ]


def _write_down(
    actor: User, meeting: Meeting, wish: MeetingWish, *, note: str, key: str, event: str
) -> MeetingEvent:
    meeting.starts_at, meeting.ends_at = wish.starts_at, wish.ends_at
    meeting.room, meeting.groups = wish.room, wish.groups
    meeting.state = states.PLANNED if wish.takes_place else states.CANCELLED
    meeting.version += 1
    meeting.save()
    return MeetingEvent.objects.create(
        meeting=meeting,
        event=event,
        actor=actor,
        note=note[:_NOTE],
        idempotency_key=f"{meeting.pk}-{key}"[:120],
    )


def _of_event(event: MeetingEvent) -> str:
    """The key of the form that an event came from."""
    return event.idempotency_key.partition("-")[2]


def done_before(key: str) -> Outcome | None:
    """What the same form did before, if it was sent before."""
    if key == REHEARSAL:
        return None
    events = list(MeetingEvent.objects.filter(idempotency_key__endswith=f"-{key}").select_related("meeting"))
    if not events:
        return None
    revisions = OrderRevision.objects.filter(idempotency_key__endswith=f"-{key}").select_related("order")
    return Outcome(events=events, revisions=list(revisions))
