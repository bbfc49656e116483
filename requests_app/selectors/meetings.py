"""One meeting of a section as its page shows it, and who may change it."""

from datetime import date, datetime, time, timedelta

from django.db.models import Prefetch, Q, QuerySet
from django.http import Http404
from django.utils import timezone

from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.models import Meeting, MeetingEvent, Order, OrderRevision, Room, Section
from requests_app.selectors.work import orders_visible_to


def teaches(actor: User, section: Section) -> bool:
    """Whether a section is a person's own, alone or with others."""
    return section.instructor_id == actor.pk or section.co_instructors.filter(pk=actor.pk).exists()


def may_change(actor: User, section: Section) -> bool:
    """Whether a person may change the meetings of a section."""
    return policy.may(actor, "change_meeting") and (actor.role == policy.MANAGER or teaches(actor, section))


def meetings_visible_to(actor: User) -> QuerySet[Meeting]:
    """Everybody sees when and where every section meets."""
    return Meeting.objects.all() if policy.may(actor, "see_timetable") else Meeting.objects.none()


def meeting_with_everything(actor: User, key: int) -> Meeting:
    """One meeting with all that its page shows, or a 404; of its orders those the actor may see."""
    orders = orders_visible_to(actor).select_related("ordered_by", "batch__claimed_by")
    found = (
        meetings_visible_to(actor)
        .select_related("section__course", "section__term", "section__instructor", "room")
        .prefetch_related(
            "section__co_instructors",
            Prefetch("events", MeetingEvent.objects.select_related("actor")),
            Prefetch(
                "orders",
                orders.order_by("pk").prefetch_related(
                    "sections",
                    "components__substance",
                    Prefetch("revisions", OrderRevision.objects.select_related("actor")),
                ),
            ),
        )
        .filter(pk=key)
        .first()
    )
    if found is None:
        raise Http404("There is no such meeting.")
    return found


def clashes(room: Room, starts_at: datetime, ends_at: datetime, *, but: Meeting) -> list[Meeting]:
    """Other meetings that take place in the room at that time."""
    others = Meeting.objects.filter(
        room=room, state=states.PLANNED, starts_at__lt=ends_at, ends_at__gt=starts_at
    ).exclude(pk=but.pk)
    return list(others.select_related("section__course").order_by("starts_at"))


def meetings_of_day(actor: User, day: date, room: Room | None = None) -> list[Meeting]:
    """What takes place on a day and is the actor's to cancel: all of it for a manager, else one's own."""
    zone = timezone.get_default_timezone()
    begins = datetime.combine(day, time(), tzinfo=zone)
    ends = datetime.combine(day + timedelta(days=1), time(), tzinfo=zone)
    found = meetings_visible_to(actor).filter(
        starts_at__gte=begins, starts_at__lt=ends, state=states.PLANNED, ends_at__gt=timezone.now()
    )
    if room is not None:
        found = found.filter(room=room)
    if actor.role != policy.MANAGER:
        found = found.filter(Q(section__instructor=actor) | Q(section__co_instructors=actor)).distinct()
    return list(
        found.select_related("section__course", "section__instructor", "room").order_by("starts_at", "pk")
    )


def open_orders_of(meetings: list[Meeting]) -> dict[int, int]:
    """How many open orders each meeting has."""
    keys = Order.objects.filter(
        meeting__in=[one.pk for one in meetings], state__in=states.OPEN_ORDER_STATES
    ).values_list("meeting_id", flat=True)
    counts: dict[int, int] = {}
    for key in keys:
        counts[key or 0] = counts.get(key or 0, 0) + 1
    return counts
