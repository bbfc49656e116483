"""One bottle: receiving it, its page, its label."""

from datetime import timedelta

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import states
from inventory.amounts import from_base, money_text
from inventory.forms import FIGURES, FIGURES_OF_KIND, LabelForm, ReceiveForm
from inventory.models import Lot, Substance
from inventory.selectors import (
    active_holds_of,
    attachments_of,
    calc_catalogue,
    children_of,
    descendants_of,
    expiry_note_of,
    history_of,
    lot_by_code,
    mergeable_with,
    parents_of,
    split_into,
)
from inventory.services import correct_label, open_lot, receive_lot
from inventory.views.shown import shown_lot
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.errors import InputError
from prepdesk.core.errors import DomainError


def lot_or_404(request: SignedInRequest, code: str) -> Lot:
    """The bottle with this code, if this person may see it."""
    lot = lot_by_code(request.user, code)
    if lot is None:
        raise Http404("No bottle has this code.")
    return lot


@require_safe
def lot(request: SignedInRequest, code: str) -> HttpResponse:
    """One bottle: what it is, what is in it, for whom, and how it came to that."""
    bottle = lot_or_404(request, code)
    if bottle.code != code:
        return redirect("inventory:lot", bottle.code)
    user = request.user
    sees_ledger = policy.may(user, "see_ledger")
    may_correct = policy.may(user, "correct_stock")
    context = {
        "shown": shown_lot(bottle),
        "lot": bottle,
        "holds": active_holds_of(bottle) if sees_ledger else (),
        "history": _history(request, bottle),
        "expiry_note": expiry_note_of(bottle),
        "parents": [parent for parent in parents_of(bottle) if parent.pk != bottle.split_from_id],
        "children": [child for child in children_of(bottle) if child.split_from_id != bottle.pk],
        "split_into": split_into(bottle),
        "further": descendants_of(bottle) if bottle.state == states.RECALLED else (),
        "files": attachments_of(bottle, actor=user),
        "sees_ledger": sees_ledger,
        "may_correct": may_correct,
        "may_receive": policy.may(user, "receive_lot"),
        "mergeable": bool(mergeable_with(bottle, actor=user)) if may_correct else False,
        "cost": "" if bottle.cost_minor is None else money_text(bottle.cost_minor),
        "currency": settings.DEPARTMENT_CURRENCY,
        "moves": _moves(bottle) if policy.may(user, "change_lot_state") else (),
    }
    return render(request, "inventory/lot.html", context)


def _history(request: SignedInRequest, bottle: Lot) -> dict[str, object]:
    """A page of what happened to a bottle, with the balance after each entry in its unit."""
    asked = request.GET.get("page", "")
    number = int(asked) if asked.isascii() and asked[:6].isdigit() and len(asked) <= 6 else 1
    page = history_of(bottle, actor=request.user, page=number)
    words = {**states.LOT_EVENTS_DONE, **states.LOT_NOTES}
    rows = [
        {
            "at": row.at,
            "entry": row.movement,
            "balance": from_base(row.balance, bottle.unit),
            "event": row.event,
            "words": words.get(row.event.event, row.event.event) if row.event else "",
        }
        for row in page.rows
    ]
    return {"page": page, "rows": rows}


def _moves(bottle: Lot) -> list[tuple[str, str]]:
    """The state changes that are possible now, in the words of the table."""
    possible = [event for (before, event) in states.LOT_NEXT if before == bottle.state]
    # An empty bottle and one with something in it differ in what makes sense to offer.
    hidden = {"mark_empty"} if bottle.on_hand else {"reopen"}
    return [(event, states.LOT_EVENTS[event]) for event in possible if event not in hidden]


@require_http_methods(["GET", "HEAD", "POST"])
def receive(request: SignedInRequest) -> HttpResponse:
    """Put a bottle on the shelf; it gets its code."""
    policy.require(request.user, "receive_lot")
    form = (
        ReceiveForm(request.POST) if request.method == "POST" else ReceiveForm(initial=_from_address(request))
    )
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = dict(form.cleaned_data)
            try:
                bottle = receive_lot(actor=request.user, **data)
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(
                    request,
                    f"Received as {bottle.code}. Write this code on the bottle before it goes on the shelf.",
                )
                told = expiry_note_of(bottle)
                if told:
                    messages.warning(request, f"{told} Correct the label if that is wrong.")
                return redirect("inventory:lot", bottle.code)
    proposed = _proposed_expiry(request.GET.get("substance", ""))
    if proposed:
        form.fields["expires_on"].help_text = f"The last day on which it may be used. {proposed}"
    context = {"form": form, "figures": _figure_groups(form)}
    return render(request, "inventory/lot_receive.html", context, status=status)


def _figure_groups(form: ReceiveForm) -> list[dict[str, object]]:
    """The figures of a label in groups, each for the kinds of bottle that have them."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for name in FIGURES:
        kinds = tuple(kind for kind, names in FIGURES_OF_KIND.items() if name in names)
        groups.setdefault(kinds, []).append(name)
    return [
        {
            "kinds": kinds,
            "label": f"Of a {' or a '.join(str(Lot.Kind(kind).label).lower() for kind in kinds)}",
            "fields": [form[name] for name in names],
        }
        for kinds, names in groups.items()
    ]


def _from_address(request: SignedInRequest) -> dict[str, object]:
    """A page of a substance links here with its key; the kind is then its usual state."""
    key = request.GET.get("substance", "")
    try:
        usual = calc_catalogue().by_key(key)
    except InputError:
        return {}
    return {"substance": key, "kind": usual.state, "unit": "g" if usual.state == "solid" else "mL"}


def _proposed_expiry(key: str) -> str:
    """What the shelf life of a substance will make of a bottle whose label gives no day, in words.

    Only said and never filled in: another substance may still be chosen, and the day would stay.
    """
    row = Substance.objects.filter(key=key).first() if "\0" not in key else None
    if row is None or not row.shelf_life_closed_days:
        return ""
    day = timezone.localdate() + timedelta(days=row.shelf_life_closed_days)
    return (
        f"Where the label gives none, leave it empty: {row.name} keeps {row.shelf_life_closed_days} days "
        f"closed, so a bottle that comes today expires on {day.day} {day:%B %Y}."
    )


@require_http_methods(["GET", "HEAD", "POST"])
def label(request: SignedInRequest, code: str) -> HttpResponse:
    """Put right what was copied from the label, or say where the bottle stands now."""
    policy.require(request.user, "receive_lot")
    bottle = lot_or_404(request, code)
    form = LabelForm(request.POST, lot=bottle) if request.method == "POST" else LabelForm(lot=bottle)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = form.cleaned_data
            try:
                correct_label(
                    actor=request.user,
                    lot=bottle,
                    **form.typed(data),
                    place=data["place"],
                    storage_reason=data["storage_reason"],
                    reason=data["reason"],
                )
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, "The label is up to date. New plans read it from now on.")
                return redirect("inventory:lot", bottle.code)
    context = {
        "form": form,
        "shown": shown_lot(bottle),
        "lot": bottle,
        "figures": [form[name] for name in FIGURES if name in form.fields],
    }
    return render(request, "inventory/lot_label.html", context, status=status)


@require_POST
def opened(request: SignedInRequest, code: str) -> HttpResponse:
    """Write down that the bottle was opened today."""
    found = lot_or_404(request, code)
    day_before = found.expires_on
    bottle = open_lot(actor=request.user, lot=found)
    messages.success(request, "Written down as opened today.")
    earlier = expiry_note_of(bottle)
    # What was said when it came isn't said again as if the opening had done it.
    if earlier and bottle.expires_on != day_before:
        messages.warning(request, earlier)
    return redirect("inventory:lot", bottle.code)
