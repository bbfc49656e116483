"""Orders from bench lists: one for each solution and meeting, all of a list in one go.

The meetings are locked first, in key order, so that two people who order the same list at the same moment
come one after the other, and the second is told what the first ordered. The constraint
``line_ordered_once_for_a_meeting`` would refuse them otherwise. Orders are made first and put into batches
afterwards, each batch in a transaction of its own: what is interrupted in between waits, and sending the
same form again goes on with it.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final
from uuid import UUID

from django.db import IntegrityError
from django.utils import timezone

from inventory.selectors import calc_catalogue, calc_shelf
from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from prepdesk.core.errors import Conflict, InvalidInput
from requests_app import sheets, states
from requests_app.drafts import OrderDraft, Wanted, wanted_for, wanted_together
from requests_app.list_drafts import draft_for
from requests_app.models import BenchListVersion, ListSolution, Meeting, Order
from requests_app.selectors import department_rules, sections_for
from requests_app.selectors import term as reading
from requests_app.services.checks import amount_problems
from requests_app.services.new_orders import NewOrder, create_orders
from requests_app.services.together import put_together

# Between what names the form and what names the line, so that the orders of a form are found again.
_OF: Final = "~"


@dataclass(frozen=True, slots=True)
class Changes:
    """What is ordered otherwise than the list and the timetable say.

    Attributes:
        groups: how many groups work, by key of the meeting.
        left_out: the lines of the list that are not ordered.
    """

    groups: Mapping[int, int] = field(default_factory=dict)
    left_out: frozenset[UUID] = frozenset()


@dataclass(frozen=True, slots=True)
class Line:
    """One solution of a list for one meeting: an order that stands, or the draft of one."""

    solution: ListSolution
    meeting: Meeting
    draft: OrderDraft
    ordered: Order | None = None


@dataclass(frozen=True, slots=True)
class Checked:
    """What the calculation service says to a solution, whatever the shelf holds.

    Attributes:
        title: of the solution; empty where it could not even be read.
        refusal: why nobody can make it so; empty where somebody can.
        plan: for what was asked, where there is one.
    """

    title: str
    refusal: str = ""
    plan: sheets.Plan | None = None


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of a list.

    Attributes:
        made: the orders made by this form, now or when it was sent first.
        kept: lines that somebody had ordered before.
    """

    made: list[Order]
    kept: list[Line]


def order_from_list(
    *,
    actor: User,
    version: BenchListVersion,
    meetings: Sequence[Meeting],
    changes: Changes,
    idempotency_key: str,
) -> Sent:
    """Order a bench list for meetings: an order for each solution and meeting, then their batches.

    Sending the same form again makes nothing twice; what was ordered before, by whomever, is told.

    Args:
        version: the newest of its list.

    Raises:
        NotAllowed: the role may not order.
        Conflict: the list has a newer version than the one shown, or was taken out of use meanwhile.
        InvalidInput: ``meetings`` for some that can't be ordered for, ``groups-<meeting>`` and
            ``line-<line>`` for what is wrong with a number or a solution. Nothing is ordered then.
    """
    policy.require(actor, "submit_order")
    sent = order_lines(actor=actor, version=version, meetings=meetings, changes=changes, key=idempotency_key)
    left = [order for order in sent.made if order.state == states.WAITING and not order.waiting_for]
    if left:
        put_together(actor=actor, orders=left, reason=f"ordered from {version.bench_list}")
    return sent


def order_lines(
    *,
    actor: User,
    version: BenchListVersion,
    meetings: Sequence[Meeting],
    changes: Changes,
    key: str,
    checked: dict[int, Checked] | None = None,
) -> Sent:
    """The orders of a list alone, waiting for their batches; all or nothing.

    Args:
        checked: what is known of solutions by their keys, so that a whole term asks once; it is added to.

    Raises:
        as :func:`order_from_list`.
    """

    def order() -> Sent:
        return _order_locked(
            actor=actor,
            version=version,
            meetings=meetings,
            changes=changes,
            key=key,
            known={} if checked is None else checked,
        )

    try:
        return in_transaction_with_retries(order)
    except IntegrityError:
        # Somebody ordered a line without the lock on its meeting. Now it stands, and is kept.
        return in_transaction_with_retries(order)


def lines_for(
    version: BenchListVersion, meetings: Iterable[Meeting], changes: Changes
) -> dict[ListSolution, list[Line]]:
    """Every solution of a list that isn't left out with its line for every meeting; saves nothing."""
    listed = list(meetings)
    solutions = [one for one in version.solutions.all() if one.line not in changes.left_out]
    ordered = reading.ordered_lines(listed, [one.line for one in solutions])
    rules = department_rules()
    return {
        solution: [
            Line(
                solution,
                meeting,
                draft_for(solution, meeting, rules, changes.groups.get(meeting.pk)),
                ordered.get((solution.line, meeting.pk)),
            )
            for meeting in listed
        ]
        for solution in solutions
    }


def check_solutions(
    lines: Mapping[ListSolution, Sequence[Line]], known: dict[int, Checked] | None = None
) -> dict[int, Checked]:
    """Ask the calculation service about every solution that has something to order, by its key."""
    found = {} if known is None else known
    open_ones = {
        solution.pk: [line.draft for line in of_it if line.ordered is None]
        for solution, of_it in lines.items()
        if solution.pk not in found
    }
    asked = {pk: drafts for pk, drafts in open_ones.items() if drafts}
    if asked:
        day = min(sheets.local_date(draft.due_at) for drafts in asked.values() for draft in drafts)
        shelf = calc_shelf(on=timezone.localdate(), needed_until=day)
        catalogue = calc_catalogue()
        for pk, drafts in asked.items():
            found[pk] = _checked(drafts, lambda wanted: sheets.plan_on(shelf, catalogue, wanted))
    return found


# --- inside -------------------------------------------------------------------------------------
def _order_locked(
    *,
    actor: User,
    version: BenchListVersion,
    meetings: Sequence[Meeting],
    changes: Changes,
    key: str,
    known: dict[int, Checked],
) -> Sent:
    newest = reading.newest_versions().get(bench_list=version.bench_list_id)
    if newest.pk != version.pk:
        raise Conflict(
            f"{version.bench_list} has a newer version, {newest.number}, than the one that was shown. "
            "Nothing was ordered; look at it again."
        )
    locked = _locked_meetings(actor, newest, meetings)
    lines = lines_for(newest, locked, changes)
    mine = {order.idempotency_key: order for order in orders_of_form(key)}
    fresh = [
        line
        for of_it in lines.values()
        for line in of_it
        if line.ordered is None and _key_of(key, line) not in mine
    ]
    # What this form made before stands; only more of it is refused.
    if fresh and newest.bench_list.retired_at is not None:
        raise Conflict(
            f"{newest.bench_list} was taken out of use meanwhile. Nothing was ordered; order from another "
            "list, or have it taken into use again."
        )
    _require_sound(fresh)
    check_solutions(lines, known)
    _require_chemistry(fresh, known)
    note = f"from the bench list {newest.bench_list.title}, version {newest.number}"
    made = create_orders(
        actor=actor,
        new=[
            NewOrder(
                owner_for(actor, line.meeting),
                line.draft,
                known[line.solution.pk].title,
                _key_of(key, line),
                note,
            )
            for line in fresh
        ],
    )
    kept = [
        line
        for of_it in lines.values()
        for line in of_it
        if line.ordered is not None and line.ordered.idempotency_key not in mine
    ]
    return Sent([*mine.values(), *made], kept)


def orders_of_form(key: str) -> list[Order]:
    """The orders that were made when a form of this key was sent, also those cancelled since."""
    return list(Order.objects.filter(idempotency_key__startswith=f"{key}{_OF}").order_by("pk"))


def owner_for(actor: User, meeting: Meeting) -> User:
    """Whose order it is: the actor's where they teach the section, else its instructor's."""
    section = meeting.section
    if section.instructor_id == actor.pk or actor.role != policy.MANAGER:
        return actor
    return section.instructor


def _key_of(key: str, line: Line) -> str:
    return f"{key}{_OF}{line.solution.line.hex}-{line.meeting.pk}"


def _locked_meetings(actor: User, version: BenchListVersion, meetings: Sequence[Meeting]) -> list[Meeting]:
    keys = sorted({meeting.pk for meeting in meetings})
    if not keys:
        raise InvalidInput({"meetings": "Choose at least one meeting."})
    # No join: whoever waits for the lock gets the row as it is then, but joined rows as they were before.
    locked = Meeting.objects.select_for_update().filter(pk__in=keys).order_by("pk")
    planned = [meeting.pk for meeting in locked if meeting.state == states.PLANNED]
    found = reading.meetings_with_rooms(planned)
    own = set(
        sections_for(actor)
        .filter(pk__in={meeting.section_id for meeting in found}, course=version.bench_list.course_id)
        .values_list("pk", flat=True)
    )
    if len(found) < len(keys) or any(meeting.section_id not in own for meeting in found):
        raise InvalidInput(
            {"meetings": "Choose meetings of this course that take place and whose section is yours."}
        )
    return found


def _require_sound(lines: Iterable[Line]) -> None:
    errors: dict[str, str] = {}
    for line in lines:
        for name, text in amount_problems(line.draft).items():
            of_groups = name == "groups_per_section"
            errors.setdefault(f"groups-{line.meeting.pk}" if of_groups else _field_of(line), text)
        if not line.draft.room:
            text = f"{line.meeting.section} meets in no room that is known. Have the timetable say it."
            errors.setdefault("meetings", text)
    if errors:
        raise InvalidInput(errors)


def _require_chemistry(lines: Iterable[Line], known: Mapping[int, Checked]) -> None:
    refused = {_field_of(line): known[line.solution.pk].refusal for line in lines}
    errors = {name: text for name, text in refused.items() if text}
    if errors:
        raise InvalidInput(errors)


def _field_of(line: Line) -> str:
    return f"line-{line.solution.line}"


def _checked(drafts: Sequence[OrderDraft], plan_on: Callable[[Wanted], sheets.Plan]) -> Checked:
    """All together, else the largest alone: what is too much for one making may be made in two."""
    largest = max(drafts, key=lambda draft: draft.groups_per_section)
    try:
        plan = plan_on(wanted_together(drafts))
        if _can_be_made(plan) or len(drafts) == 1:
            return Checked(plan["title"], _refusal_of(plan), plan)
        plan = plan_on(wanted_for(largest))
    except RequestRefused as refused:
        return Checked("", " ".join(error.text for error in refused.errors))
    return Checked(plan["title"], _refusal_of(plan), plan)


def _can_be_made(plan: sheets.Plan) -> bool:
    return bool(plan["feasible"]) or sheets.only_the_shelf_is_short(plan)


def _refusal_of(plan: sheets.Plan) -> str:
    """What chemistry or apparatus forbids; what the shelf lacks is no reason not to order."""
    return " ".join(
        problem["text"] for problem in sheets.stops(plan) if problem["code"] not in sheets.SHELF_PROBLEMS
    )
