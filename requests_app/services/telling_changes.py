"""Who is told when an order or a meeting is changed, and when somebody says something about an order.

Each runs in the transaction of the event. Nobody is told of what they did themselves.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from django.urls import reverse

from prepdesk.accounts import kinds
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import tell
from requests_app import states
from requests_app.models import Meeting, MeetingEvent, Order, OrderComment, OrderRevision


def tell_changed(*, actor: User, revisions: Sequence[OrderRevision]) -> None:
    """The one who ordered it, and whoever has the batch that it met, in one notice each."""
    tell_owners(actor=actor, revisions=revisions)
    tell_makers(actor=actor, revisions=revisions)


def tell_owners(*, actor: User, revisions: Iterable[OrderRevision]) -> None:
    """Whoever ordered what somebody else changed."""
    for revision in revisions:
        order = revision.order
        if order.ordered_by_id == actor.pk:
            continue
        tell(
            people=[order.ordered_by],
            kind=kinds.ORDER_CHANGED,
            text=f"{order.reference}, {order.title}, was changed by {actor}. {_said(revision)}",
            path=reverse("requests_app:order", args=[order.reference]),
            key=f"revision-{revision.pk}",
        )


def tell_makers(*, actor: User, revisions: Iterable[OrderRevision]) -> None:
    """Whoever has a batch that a change met; one notice for each batch, however many of its orders."""
    of_batch: dict[int, list[OrderRevision]] = defaultdict(list)
    for revision in revisions:
        if revision.needs_seeing and revision.batch is not None:
            of_batch[revision.batch.pk].append(revision)
    for found in of_batch.values():
        batch = found[0].batch
        assert batch is not None
        if batch.claimed_by is None or batch.claimed_by_id == actor.pk:
            continue
        said = " ".join(f"{one.order.reference}: {_said(one)}" for one in found)
        what = "which stands ready" if batch.state == states.READY else "which you make"
        tell(
            people=[batch.claimed_by],
            kind=kinds.BATCH_CHANGED,
            text=f"{batch.reference}, {batch.title}, {what}, is wanted otherwise. {said}",
            path=reverse("requests_app:batch", args=[batch.reference]),
            key=f"revision-{found[0].pk}",
        )


def tell_meeting_changed(
    *, actor: User, event: MeetingEvent, revisions: Sequence[OrderRevision], orders: Sequence[Order] = ()
) -> None:
    """The instructors of the section and whoever ordered for it, once each."""
    meeting = event.meeting
    count = len({revision.order_id for revision in revisions}) + len(orders)
    with_it = f" {count} order{' is' if count == 1 else 's are'} changed with it." if count else ""
    tell(
        people=people_of_meeting(actor=actor, meeting=meeting, revisions=revisions, orders=orders),
        kind=kinds.MEETING_CHANGED,
        text=f"{meeting.section}, week {meeting.week}, changed by {actor}: {event.note}{with_it}",
        path=reverse("requests_app:meeting", args=[meeting.pk]),
        key=f"meeting-{event.pk}",
    )


def people_of_meeting(
    *, actor: User, meeting: Meeting, revisions: Iterable[OrderRevision], orders: Iterable[Order] = ()
) -> list[User]:
    """Whom a change of a meeting concerns at the desk: who teaches the section, and who ordered for it."""
    section = meeting.section
    people = [section.instructor, *section.co_instructors.all()]
    people += [revision.order.ordered_by for revision in revisions]
    people += [order.ordered_by for order in orders]
    return [person for person in people if person.pk != actor.pk]


def makers_of(*, actor: User, revisions: Iterable[OrderRevision]) -> list[User]:
    """Who has a batch that these changes met."""
    batches = [one.batch for one in revisions if one.needs_seeing and one.batch is not None]
    people = [batch.claimed_by for batch in batches if batch.claimed_by is not None]
    return [person for person in people if person.pk != actor.pk]


def tell_comment(*, comment: OrderComment) -> None:
    """The one who ordered it, whoever makes it, and who said something before."""
    order: Order = comment.order
    people = [order.ordered_by, *(one.author for one in order.comments.select_related("author"))]
    people += User.objects.filter(claimed_batches__orders=order)
    tell(
        people=[person for person in people if person.pk != comment.author_id],
        kind=kinds.COMMENT,
        text=f"{comment.author} on {order.reference}, {order.title}: {comment.text}",
        path=f"{reverse('requests_app:order', args=[order.reference])}#comments",
        key=f"comment-{comment.pk}",
    )


def _said(revision: OrderRevision) -> str:
    words = " ".join(revision.words)
    return f"{words} Reason: {revision.reason}" if revision.reason else words
