"""The cart: what goes out on a day, what is handed to whom, and what comes back."""

from datetime import date, timedelta
from typing import Any, Final
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.codes import is_sound, tidied
from inventory.models import WasteStream
from inventory.selectors import apparatus_by_code, lot_by_code, place_by_code, waste_streams
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.core.errors import DomainError, InvalidInput
from requests_app import states
from requests_app.models import Portion
from requests_app.portion_forms import KeepForm, LeftForm, ReceiverForm, all_of
from requests_app.selectors.cart import cart_of, trays_of
from requests_app.selectors.portions import (
    PortionRow,
    portion_by_code,
    portions_visible_to,
    receivers_of,
    row_of,
)
from requests_app.services.not_delivered import undo_delivery
from requests_app.services.portions import (
    MOST_AT_ONCE,
    deliver_portions,
    load_portion,
    unload_portion,
)
from requests_app.services.returning import APART, TO_LOT, WASTE, mark_empty, may_go, take_back
from requests_app.views.of_a_batch import add_errors
from requests_app.views.portions import portion_or_404

_READ_OR_SEND: Final = ["GET", "HEAD", "POST"]
FIRST_YEAR: Final = 1970
LAST_YEAR: Final = 9999


def _day(request: SignedInRequest) -> date:
    try:
        day = date.fromisoformat(request.GET.get("on", "") or request.POST.get("on", ""))
    except ValueError:
        return timezone.localdate()
    # At the ends of the calendar there is no day before or after.
    return day if FIRST_YEAR <= day.year < LAST_YEAR else timezone.localdate()


def _address(route: str, **query: object) -> str:
    return f"{reverse(route)}?{urlencode({name: value for name, value in query.items() if value})}"


# --- the list -------------------------------------------------------------------------------------
@require_safe
def cart(request: SignedInRequest) -> HttpResponse:
    """What goes out on a day, room by room."""
    policy.require(request.user, "deliver_portion")
    return _cart_page(request)


def _cart_page(request: SignedInRequest, *, trouble: str = "", status: int = 200) -> HttpResponse:
    day = _day(request)
    rooms = cart_of(request.user, day)
    waiting = [row for one in rooms for row in one.waiting]
    trays, unjudged = trays_of(waiting)
    context = {
        "place": "requests_app:queue",
        "day": day,
        "before": day - timedelta(days=1),
        "after": day + timedelta(days=1),
        "today": timezone.localdate(),
        "rooms": rooms,
        "loaded": sum(row.portion.state == states.LOADED for row in waiting),
        "waiting_count": len(waiting),
        "trays": trays,
        "unjudged": sorted({row.what for row in unjudged}),
        "trouble": trouble,
    }
    return render(request, "requests_app/cart.html", context, status=status)


def wrong_code_words(actor: User, typed: str) -> str:
    """Why a scanned or typed text means no bottle of the cart, for a person."""
    word = tidied(typed)[:16]
    if not word:
        return "Nothing was read. Scan the square of the bottle, or type its code."
    lot = lot_by_code(actor, word)
    if lot is not None:
        named = lot.title or lot.substance.name
        return f"{word} is the label of a lot, {named}. Scan the square that begins with D."
    place = place_by_code(actor, word)
    if place is not None:
        return f"{word} is the label of a place, {place.name}. Scan the square that begins with D."
    item = apparatus_by_code(actor, word)
    if item is not None:
        return f"{word} is the label of apparatus, {item}. Scan the square that begins with D."
    if not is_sound(word):
        return f"“{typed.strip()[:40]}” is no code of a label here: a character is missing or wrong."
    return f"No bottle has the code {word}. Compare it with the label."


@require_POST
def scan(request: SignedInRequest) -> HttpResponse:
    """A scanned bottle goes on the cart."""
    policy.require(request.user, "deliver_portion")
    typed = request.POST.get("scan", "")
    found = portion_by_code(request.user, typed)
    if found is None:
        return _cart_page(request, trouble=wrong_code_words(request.user, typed), status=422)
    try:
        load_portion(actor=request.user, portion=found)
    except DomainError as refusal:
        return _cart_page(request, trouble=refusal.text, status=refusal.status)
    messages.success(request, f"{found.code} for {found.room} is on the cart.")
    return redirect(_address("requests_app:cart", on=_day(request)))


@require_POST
def load(request: SignedInRequest, code: str) -> HttpResponse:
    """Tick a bottle: it is on the cart."""
    policy.require(request.user, "deliver_portion")
    load_portion(actor=request.user, portion=portion_or_404(request, code))
    return redirect(f"{_address('requests_app:cart', on=_day(request))}#{code}")


@require_POST
def unload(request: SignedInRequest, code: str) -> HttpResponse:
    """Take the tick away again."""
    policy.require(request.user, "deliver_portion")
    unload_portion(actor=request.user, portion=portion_or_404(request, code))
    return redirect(f"{_address('requests_app:cart', on=_day(request))}#{code}")


# --- delivering -------------------------------------------------------------------------------------
@require_http_methods(_READ_OR_SEND)
def deliver(request: SignedInRequest) -> HttpResponse:
    """In the room: who takes these bottles. One tap signs for all that are ticked."""
    policy.require(request.user, "deliver_portion")
    sent = request.POST if request.method == "POST" else None
    rows = _bottles_for(request)
    form = ReceiverForm(sent)
    if sent is not None and form.is_valid():
        chosen = [row.portion for row in rows if row.portion.code in sent.getlist("bottle")]
        try:
            if not chosen:
                raise InvalidInput({"": "Tick at least one bottle."})
            done = deliver_portions(actor=request.user, portions=chosen, **_receiver(sent, rows))
        except InvalidInput as invalid:
            add_errors(form, invalid)
        else:
            _say_delivered(request, done)
            return redirect(_address("requests_app:cart", on=timezone.localtime(done[0].due_at).date()))
    context = {
        "place": "requests_app:queue",
        "room": rows[0].portion.room if rows else request.GET.get("room", ""),
        "rows": rows,
        "ticked": sent.getlist("bottle") if sent is not None else [row.portion.code for row in rows],
        "people": receivers_of(row.portion for row in rows),
        "form": form,
        "day": _day(request),
    }
    return render(request, "requests_app/deliver.html", context, status=422 if form.errors else 200)


def _say_delivered(request: SignedInRequest, done: list[Portion]) -> None:
    there = [one for one in done if one.state == states.DELIVERED]
    if there:
        bottles = f"{there[0].code} is" if len(there) == 1 else f"{len(there)} bottles are"
        messages.success(request, f"{bottles} delivered to {there[0].room}.")
    for one in done:
        # The list on the screen was older than what somebody else did with it.
        if one.state != states.DELIVERED:
            messages.warning(request, f"{one.code} was delivered before: {row_of(one).where}.")


def _bottles_for(request: SignedInRequest) -> list[PortionRow]:
    """The bottles of a room that have not left, or the one that was named."""
    waiting = portions_visible_to(request.user).filter(state__in=states.WAITING_PORTIONS)
    if request.method == "POST":
        # One that left meanwhile is no error: delivering twice is the same as once.
        shown = request.POST.getlist("shown")[:MOST_AT_ONCE]
        return [row_of(one) for one in portions_visible_to(request.user).filter(code__in=shown)]
    code = request.GET.get("code", "")
    if code:
        return [row_of(one) for one in waiting.filter(code=tidied(code)[:16])]
    day = _day(request)
    here = waiting.filter(room=request.GET.get("room", ""), due_at__date__lte=day)
    return [row_of(one) for one in here[:MOST_AT_ONCE]]


def _receiver(sent: Any, rows: list[PortionRow]) -> dict[str, Any]:
    chosen = sent.get("receiver", "")
    if chosen == "left":
        return {"left_in_room": True}
    if chosen == "other":
        return {"received_name": sent.get("name", "")}
    people = {str(person.pk): person for person in receivers_of(row.portion for row in rows)}
    return {"received_by": people.get(chosen)}


@require_POST
def not_delivered(request: SignedInRequest, code: str) -> HttpResponse:
    """It was noted as delivered by mistake: it stands on the cart again."""
    policy.require(request.user, "deliver_portion")
    found = undo_delivery(actor=request.user, portion=portion_or_404(request, code))
    messages.success(
        request, f"{found.code} is on the cart again, for {found.room}. Take it off if it stands elsewhere."
    )
    return redirect(_address("requests_app:cart", on=timezone.localtime(found.due_at).date()))


# --- coming back --------------------------------------------------------------------------------------
@require_http_methods(_READ_OR_SEND)
def come_back(request: SignedInRequest) -> HttpResponse:
    """A bottle comes back: scan it, how much is left, in which condition, where it goes."""
    policy.require(request.user, "take_back_portion")
    typed = request.POST.get("scan", "") or request.GET.get("scan", "")
    if not typed.strip():
        return render(request, "requests_app/come_back.html", {"place": "requests_app:queue"})
    found = portion_by_code(request.user, typed)
    if found is None:
        context = {"place": "requests_app:queue", "trouble": wrong_code_words(request.user, typed)}
        return render(request, "requests_app/come_back.html", context, status=422)
    if found.state != states.DELIVERED:
        return _back_page(request, found, None)
    if request.method == "POST":
        return _taken(request, found)
    asked = "condition" in request.GET
    left = LeftForm(request.GET if asked else None, portion=found)
    if asked and left.is_valid():
        return _where_page(request, found, left, KeepForm(portion=found))
    return _back_page(request, found, left, status=422 if left.errors else 200)


def _back_page(
    request: SignedInRequest, found: Portion, form: LeftForm | None, status: int = 200
) -> HttpResponse:
    context = {
        "place": "requests_app:queue",
        "row": row_of(found),
        "form": form,
        "conditions": list(states.CONDITIONS.items()),
        "all_of_it": all_of(found),
    }
    return render(request, "requests_app/come_back.html", context, status=status)


def _where_page(
    request: SignedInRequest, found: Portion, left: LeftForm, keep: KeepForm, status: int = 200
) -> HttpResponse:
    condition = left.cleaned_data["condition"]
    ways = may_go(found, condition)
    context = {
        "place": "requests_app:queue",
        "row": row_of(found),
        "left": left.cleaned_data["left"].text,
        "condition": condition,
        "condition_words": states.CONDITIONS[condition],
        "to_lot": TO_LOT in ways,
        "apart": APART in ways,
        "streams": list(waste_streams(in_use=True)) if WASTE in ways else [],
        "is_stopped": found.lot.state in ("quarantined", "recalled"),
        "form": keep,
    }
    return render(request, "requests_app/come_back_where.html", context, status=status)


def _taken(request: SignedInRequest, found: Portion) -> HttpResponse:
    left = LeftForm(request.POST, portion=found)
    if not left.is_valid():
        return _back_page(request, found, left, status=422)
    where, _, number = request.POST.get("where", "").partition(":")
    keep = KeepForm(request.POST if where == APART else None, portion=found)
    if where == APART and not keep.is_valid():
        return _where_page(request, found, left, keep, status=422)
    stream = WasteStream.objects.filter(pk=number, in_use=True).first() if number.isdecimal() else None
    kept = keep.cleaned_data if where == APART else {}
    try:
        done = take_back(
            actor=request.user,
            portion=found,
            amount=left.cleaned_data["left"].text,
            condition=left.cleaned_data["condition"],
            where=where,
            stream=stream,
            place=kept.get("place"),
            keep_until=kept.get("keep_until"),
        )
    except InvalidInput as invalid:
        keep = KeepForm(request.POST, portion=found)
        keep.is_valid()
        add_errors(keep, invalid)
        return _where_page(request, found, left, keep, status=422)
    messages.success(request, f"{done.code}: {row_of(done).where}.")
    return redirect("requests_app:come_back")


@require_http_methods(_READ_OR_SEND)
def empties(request: SignedInRequest) -> HttpResponse:
    """Empty bottles, one scan after the other."""
    policy.require(request.user, "take_back_portion")
    context: dict[str, Any] = {"place": "requests_app:queue"}
    status = 200
    if request.method == "POST":
        typed = request.POST.get("scan", "")
        found = portion_by_code(request.user, typed)
        if found is None:
            context["trouble"], status = wrong_code_words(request.user, typed), 422
        else:
            try:
                done = mark_empty(actor=request.user, portion=found)
            except DomainError as refusal:
                context["trouble"], status = refusal.text, refusal.status
            else:
                messages.success(request, f"{done.code} from {done.room} is marked empty. Scan the next one.")
                return redirect("requests_app:empties")
    today = timezone.localdate()
    marked = portions_visible_to(request.user).filter(
        state=states.EMPTY, events__event="mark_empty", events__at__date=today
    )
    context["marked"] = [row_of(one) for one in marked.order_by("-events__id")[:20]]
    return render(request, "requests_app/empties.html", context, status=status)
