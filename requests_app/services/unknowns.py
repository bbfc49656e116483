"""Unknowns: a set of coded samples is drawn, ordered, given up; its key is opened and lent.

Every sample is an order of its own that is made alone, with a title that says its code and never what is in
it. The concentrations are drawn when the set is sent, inside the transaction that writes them down, and are
shown nowhere before the key is opened.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import partial
from typing import Final

from django.db import IntegrityError, transaction
from django.urls import reverse

from inventory.models import Substance
from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts import kinds
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import tell
from prepdesk.calc.typed import TypedNumber
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.concealing import may_open_key
from requests_app.drafts import DraftComponent, OrderDraft, tolerance_of
from requests_app.drawing_lots import (
    DoesNotFit,
    TooManyDigits,
    Values,
    draw_concentrations,
    most_that_fit,
    values_between,
)
from requests_app.models import KeyReading, Order, UnknownSample, UnknownSet
from requests_app.sample_codes import draw_code
from requests_app.services.batching import make_batch
from requests_app.services.moves import unborn_reference
from requests_app.services.orders import cancel_order, create_order, lock_order, plan_order

MAX_SAMPLES: Final = 40
_CODE_TRIES: Final = 20
_TITLE_LENGTH: Final = 160
_WHAT_LENGTH: Final = 200
_NOT_BEGUN: Final = (states.WAITING, states.QUEUED)


@dataclass(frozen=True, slots=True)
class UnknownsDraft:
    """A set of unknowns as an instructor thinks of it.

    Attributes:
        course_id: of the course.
        section_ids: sorted, each once.
        reader_ids: who may open the key besides, sorted.
        title: what the students know it as.
        substance_key: of the inventory's substance.
        lowest, highest: the range as typed, in ``unit``.
        unit: of the range, one of the contract's.
        count: of samples that are handed out.
        spares: samples more, with codes and concentrations of their own.
        apart_percent: any two differ by at least this much of the lower one; None asks nothing.
        volume_per_sample: of each sample for each section, as typed, in ``volume_unit``.
        volume_unit: ``mL`` or ``L``.
        due_at: aware.
        room: where they are wanted.
        tolerance_percent: k = 2; None lets the digits of the range say it.
        notes: for the stockroom.
    """

    course_id: int
    section_ids: tuple[int, ...]
    reader_ids: tuple[int, ...]
    title: str
    substance_key: str
    lowest: TypedNumber
    highest: TypedNumber
    unit: str
    count: int
    spares: int
    apart_percent: TypedNumber | None
    volume_per_sample: TypedNumber
    volume_unit: str
    due_at: datetime
    room: str
    tolerance_percent: TypedNumber | None = None
    notes: str = ""


@dataclass(frozen=True, slots=True)
class Checked:
    """What sending a set would make.

    Attributes:
        values: how many concentrations the range has.
        most: how many samples fit so far apart; None where that was not asked.
        weakest, strongest: the plans at the ends of the range, on today's shelf.
        close: why neighbours may not be told apart, empty where they can.
    """

    values: int
    most: int | None
    weakest: sheets.Plan
    strongest: sheets.Plan
    close: str

    @property
    def waits(self) -> bool:
        """Whether one end can't be made from today's shelf."""
        return not (self.weakest["feasible"] and self.strongest["feasible"])


# --- checking -----------------------------------------------------------------------------------
def check_unknowns(*, actor: User, draft: UnknownsDraft) -> Checked:
    """What a set would be, with all that would refuse it; draws and saves nothing.

    Raises:
        NotAllowed: the role may not order unknowns.
        InvalidInput: by field of the form.
    """
    policy.require(actor, "order_unknowns")
    values = _checked_values(draft)
    _check_people(actor, draft)
    plans = [
        _end(actor, draft, field, number)
        for field, number in (("lowest", draft.lowest), ("highest", draft.highest))
    ]
    apart = draft.apart_percent
    return Checked(
        values=len(values),
        most=most_that_fit(values, apart.value) if apart else None,
        weakest=plans[0],
        strongest=plans[1],
        close=_close_words(draft),
    )


def _checked_values(draft: UnknownsDraft) -> Values:
    errors: dict[str, str] = {}
    if not draft.title.strip():
        errors["title"] = "Say what the students know it as."
    elif len(draft.title) > _TITLE_LENGTH:
        errors["title"] = f"That is {len(draft.title)} characters long; {_TITLE_LENGTH} fit."
    samples = draft.count + draft.spares
    if draft.count < 1 or draft.spares < 0:
        errors["count"] = "A set has at least one sample."
    elif samples > MAX_SAMPLES:
        errors["count"] = f"With the spares that is {samples} samples; one set has at most {MAX_SAMPLES}."
    if draft.lowest.value <= 0:
        errors["lowest"] = "The lowest concentration must be more than zero."
    elif draft.highest.value <= draft.lowest.value:
        errors["highest"] = "The highest concentration must be more than the lowest one."
    apart = draft.apart_percent
    if apart is not None and apart.value <= 0:
        errors["apart_percent"] = "How far apart must be more than zero; leave it empty to ask nothing."
    if errors:
        raise InvalidInput(errors)
    try:
        values = values_between(draft.lowest, draft.highest)
    except TooManyDigits as fine:
        raise InvalidInput(
            {"highest": f"This range has {fine.values} values. Type it with fewer digits: they say how fine."}
        ) from fine
    most = most_that_fit(values, apart.value) if apart else None
    if most is not None and samples > most:
        raise _not_so_many(most, draft)
    return values


def _not_so_many(most: int, draft: UnknownsDraft) -> InvalidInput:
    assert draft.apart_percent is not None
    return InvalidInput(
        {
            "apart_percent": f"At most {most} samples lie {draft.apart_percent.text} % apart between "
            f"{draft.lowest.text} and {draft.highest.text} {draft.unit}, and {draft.count + draft.spares} "
            "are asked for. Ask for fewer or closer ones, or type a wider range or more digits."
        }
    )


def _check_people(actor: User, draft: UnknownsDraft) -> None:
    there = User.objects.filter(pk__in=draft.reader_ids, is_active=True).exclude(pk=actor.pk)
    if there.count() != len(set(draft.reader_ids)):
        raise InvalidInput({"readers": "Choose readers from the list; you read the key in any case."})


def _end(actor: User, draft: UnknownsDraft, field: str, number: TypedNumber) -> sheets.Plan:
    """The plan at one end of the range; what refuses it stands beside the field of a set."""
    try:
        return plan_order(actor=actor, draft=_order_draft(draft, number))
    except InvalidInput as refusal:
        raise InvalidInput({_field(name, field): text for name, text in refusal.errors.items()}) from refusal


def _field(name: str, end: str) -> str:
    names = {
        "volume_per_group": "volume_per_sample",
        "components.0.substance": "substance",
        "components.0.target": end,
        "components.0.unit": "unit",
        "due": "due_date",
    }
    return names.get(name, name)


def _close_words(draft: UnknownsDraft) -> str:
    tolerance = tolerance_of(_order_draft(draft, draft.lowest))
    apart = draft.apart_percent
    if apart is None:
        return "Nothing is asked about their distance, so two samples may be equal or nearly so."
    if apart.value < 2 * tolerance:
        return (
            f"Two neighbours {apart.text} % apart, each made within {tolerance.normalize():f} %, may come "
            "out closer than that, or in the other order. Ask for more distance or a tighter tolerance."
        )
    return ""


def _order_draft(draft: UnknownsDraft, target: TypedNumber) -> OrderDraft:
    return OrderDraft(
        course_id=draft.course_id,
        section_ids=draft.section_ids,
        components=(DraftComponent(draft.substance_key, target, draft.unit),),
        groups_per_section=1,
        volume_per_group=draft.volume_per_sample,
        volume_unit=draft.volume_unit,
        due_at=draft.due_at,
        room=draft.room,
        tolerance_percent=draft.tolerance_percent,
        notes=draft.notes,
    )


# --- ordering -----------------------------------------------------------------------------------
def order_unknowns(*, actor: User, draft: UnknownsDraft, idempotency_key: str) -> UnknownSet:
    """Draw the concentrations and order every sample; sent again under the same key it is done once.

    The set and its orders are written in one transaction, and wait; each is then planned in one of its own,
    since planning takes locks on the bottles. Should it not come to that, the orders wait in plain sight and
    the stockroom plans them again.

    Raises:
        NotAllowed, InvalidInput: as :func:`check_unknowns`.
        Conflict: the key was used for a set with other values.
    """
    policy.require(actor, "order_unknowns")
    first = sent_before(actor=actor, draft=draft, idempotency_key=idempotency_key)
    if first is not None:
        return first
    check_unknowns(actor=actor, draft=draft)
    unknowns, is_new = in_transaction_with_retries(lambda: _create(actor, draft, idempotency_key))
    if is_new:
        for sample in unknowns.samples.select_related("order"):
            in_transaction_with_retries(partial(_queue, actor, sample.order, unknowns))
    return unknowns


def sent_before(*, actor: User, draft: UnknownsDraft, idempotency_key: str) -> UnknownSet | None:
    """The set that this form was sent as before.

    Raises:
        Conflict: with other values.
    """
    first = UnknownSet.objects.filter(ordered_by=actor, idempotency_key=idempotency_key).first()
    if first is not None and _said(first) != _said_in(draft):
        raise Conflict(
            f"This form was already sent as {first.reference}, with other values. Cancel {first.reference} "
            "if it is wrong, and begin a new form for another set."
        )
    return first


def _said(unknowns: UnknownSet) -> tuple[object, ...]:
    sections = tuple(sorted(section.pk for section in unknowns.sections.all()))
    return (
        unknowns.course_id,
        sections,
        unknowns.title,
        unknowns.substance.key,
        unknowns.lowest,
        unknowns.highest,
        unknowns.unit,
        unknowns.count,
        unknowns.spares,
        unknowns.apart_percent,
        unknowns.volume_per_sample,
        unknowns.volume_unit,
        unknowns.tolerance_percent,
        unknowns.due_at,
        unknowns.room,
        unknowns.notes,
    )


def _said_in(draft: UnknownsDraft) -> tuple[object, ...]:
    # The readers may have been changed since, on the page of the set.
    return (
        draft.course_id,
        draft.section_ids,
        draft.title,
        draft.substance_key,
        draft.lowest.text,
        draft.highest.text,
        draft.unit,
        draft.count,
        draft.spares,
        _text(draft.apart_percent),
        draft.volume_per_sample.text,
        draft.volume_unit,
        _text(draft.tolerance_percent),
        draft.due_at,
        draft.room,
        draft.notes,
    )


def _create(actor: User, draft: UnknownsDraft, idempotency_key: str) -> tuple[UnknownSet, bool]:
    substance = Substance.objects.get(key=draft.substance_key)
    unknowns = UnknownSet(
        reference=unborn_reference(),
        course_id=draft.course_id,
        ordered_by=actor,
        title=draft.title,
        substance=substance,
        lowest=draft.lowest.text,
        highest=draft.highest.text,
        unit=draft.unit,
        count=draft.count,
        spares=draft.spares,
        apart_percent=_text(draft.apart_percent),
        volume_per_sample=draft.volume_per_sample.text,
        volume_unit=draft.volume_unit,
        tolerance_percent=_text(draft.tolerance_percent),
        due_at=draft.due_at,
        room=draft.room,
        notes=draft.notes,
        idempotency_key=idempotency_key,
    )
    try:
        with transaction.atomic():
            unknowns.save()
    except IntegrityError:
        # The same form was sent twice at the same moment, and the other one is in.
        first = sent_before(actor=actor, draft=draft, idempotency_key=idempotency_key)
        if first is None:
            raise
        return first, False
    unknowns.reference = f"U-{unknowns.pk}"
    unknowns.save(update_fields=["reference"])
    unknowns.sections.set(draft.section_ids)
    unknowns.readers.set(draft.reader_ids)
    _add_samples(actor, unknowns, draft)
    return unknowns, True


def _add_samples(actor: User, unknowns: UnknownSet, draft: UnknownsDraft) -> None:
    count = draft.count + draft.spares
    apart = draft.apart_percent
    try:
        drawn = draw_concentrations(
            values_between(draft.lowest, draft.highest), count, apart_percent=apart.value if apart else None
        )
    except DoesNotFit as full:
        raise _not_so_many(full.most, draft) from full
    for position, (text, code) in enumerate(zip(drawn, _fresh_codes(count), strict=True), start=1):
        target = TypedNumber(text, Decimal(text), min(draft.lowest.last_digit, draft.highest.last_digit))
        order, _ = create_order(
            actor=actor,
            draft=_order_draft(draft, target),
            idempotency_key=f"unknown-{unknowns.pk}-{position}",
            title=f"Unknown {code} of {unknowns.reference}, {unknowns.substance.name}",
            state=states.WAITING,
        )
        order.made_alone = True
        order.save(update_fields=["made_alone"])
        UnknownSample.objects.create(
            unknown_set=unknowns,
            position=position,
            code=code,
            is_spare=position > draft.count,
            order=order,
        )


def _fresh_codes(count: int) -> list[str]:
    """So many codes that no bottle of ours has or had."""
    codes: set[str] = set()
    for _ in range(_CODE_TRIES):
        while len(codes) < count:
            codes.add(draw_code())
        codes -= set(UnknownSample.objects.filter(code__in=codes).values_list("code", flat=True))
        if len(codes) == count:
            # In the order of the alphabet, as they stand on a cart; what is in them was drawn apart from it.
            return sorted(codes)
    raise Conflict("No free codes were found at this moment. Nothing was sent; send it again.")


def _queue(actor: User, order: Order, unknowns: UnknownSet) -> None:
    batch, locked = lock_order(order)
    if batch is None and locked.state == states.WAITING:
        make_batch(actor=actor, orders=[locked], reason=f"for {unknowns.reference}")


# --- giving it up ---------------------------------------------------------------------------------
def cancel_unknowns(*, actor: User, unknowns: UnknownSet, reason: str = "") -> tuple[list[str], list[str]]:
    """Cancel every sample that nobody has begun to make; the others stay.

    Returns:
        The codes that were cancelled, and those that could not be any more.

    Raises:
        NotAllowed: it is another person's set.
    """
    policy.require(actor, "order_unknowns")
    _require_own(actor, unknowns)
    gone, kept = [], []
    for sample in unknowns.samples.select_related("order"):
        if sample.order.state == states.CANCELLED:
            continue
        try:
            cancel_order(actor=actor, order=sample.order, reason=reason)
        except NotInThisState:
            kept.append(sample.code)
        else:
            gone.append(sample.code)
    return gone, kept


# --- the key ------------------------------------------------------------------------------------
def open_key(*, actor: User, unknowns: UnknownSet, what: str = "opened the key") -> None:
    """Write down that somebody reads the key; whoever shows it calls this first.

    Raises:
        NotAllowed: neither the one who ordered the set nor a reader they named.
    """
    if not (actor.is_active and may_open_key(actor, unknowns)):
        raise NotAllowed("The key is for whoever ordered these unknowns, and for the readers they named.")
    KeyReading.objects.create(unknown_set=unknowns, actor=actor, what=what[:_WHAT_LENGTH])


def name_reader(*, actor: User, unknowns: UnknownSet, reader: User, reason: str = "") -> None:
    """Let somebody open the key; naming them twice is the same as once.

    A manager may name a reader, themselves too, when whoever ordered can't be asked: only with a reason,
    which stands in the history of the key, and whoever ordered is told at once.

    Raises:
        NotAllowed: neither the one who ordered the set nor a manager.
        InvalidInput: field ``reader``: no active person, or the one who ordered; field ``reason``.
    """
    own = unknowns.ordered_by_id == actor.pk
    if not own and actor.role != policy.MANAGER:
        raise NotAllowed("Only whoever ordered these unknowns names the readers of their key.")
    why = " ".join(reason.split())
    if not own and not why:
        raise InvalidInput({"reason": f"Say why. It is written down, and {unknowns.ordered_by} is told."})
    if not reader.is_active or reader.pk == unknowns.ordered_by_id:
        raise InvalidInput({"reader": "Choose somebody who is here and does not read the key already."})

    def name() -> None:
        locked = UnknownSet.objects.select_for_update().get(pk=unknowns.pk)
        if locked.readers.filter(pk=reader.pk).exists():
            return
        locked.readers.add(reader)
        what = f"named {reader} to read it{f': {why}' if why else ''}"
        row = KeyReading.objects.create(unknown_set=locked, actor=actor, what=what[:_WHAT_LENGTH])
        people = [one for one in (reader, locked.ordered_by) if one.pk != actor.pk]
        tell(
            people=people,
            kind=kinds.KEY_LENT,
            text=f"{actor} {row.what}: the key of {locked.reference}, {locked.title}.",
            path=reverse("requests_app:unknown_set", args=[locked.reference]),
            key=f"key-{row.pk}",
        )

    in_transaction_with_retries(name)


def remove_reader(*, actor: User, unknowns: UnknownSet, reader: User) -> None:
    """Take somebody off the readers of a key; what they read stays read and written down.

    Raises:
        NotAllowed: not the one who ordered the set.
    """
    _require_own(actor, unknowns)

    def remove() -> None:
        locked = UnknownSet.objects.select_for_update().get(pk=unknowns.pk)
        if not locked.readers.filter(pk=reader.pk).exists():
            return
        locked.readers.remove(reader)
        what = f"took {reader} off its readers"
        KeyReading.objects.create(unknown_set=locked, actor=actor, what=what[:_WHAT_LENGTH])

    in_transaction_with_retries(remove)


def _require_own(actor: User, unknowns: UnknownSet) -> None:
    if unknowns.ordered_by_id != actor.pk:
        raise NotAllowed("These unknowns are another person's. Ask them.")


def _text(number: TypedNumber | None) -> str:
    return number.text if number else ""


def not_begun(samples: Iterable[UnknownSample]) -> list[UnknownSample]:
    """The samples that could still be cancelled."""
    return [sample for sample in samples if sample.order.state in _NOT_BEGUN]
