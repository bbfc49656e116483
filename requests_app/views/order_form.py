"""The order form, in three steps that work without a script: fill in, check, send.

One address takes all posts; the button says which step is meant (``step``). Nothing is kept between
the steps on the server: every page carries all that was typed, so the back button loses nothing.
"""

from typing import Any, Final

from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from requests_app import selectors
from requests_app.concealing import is_unknown
from requests_app.drafts import MAX_COMPONENTS, volume_of
from requests_app.forms import (
    PREFIX,
    ComponentForm,
    ComponentFormSet,
    Components,
    OrderForm,
    draft_from,
    fresh_key,
    fresh_values,
    show_refusal,
    values_like,
)
from requests_app.selectors.lateness import lateness_of
from requests_app.selectors.next_meetings import NextMeeting, next_meeting, next_meetings
from requests_app.services.approving import approval_reasons_for, is_approved_by_sending
from requests_app.services.orders import order_sent_with, plan_order, submit_order
from requests_app.sheets import offers_in, waiting_reasons
from requests_app.views.orders import MAX_DIGITS, address_of
from requests_app.views.previews import preview_of

Values = dict[str, Any]

_EMPTY_ROW: Final[Values] = {"unit": "mol/L"}


@require_http_methods(["GET", "HEAD", "POST"])
def order_new(request: SignedInRequest) -> HttpResponse:
    """Fill in, check, send."""
    policy.require(request.user, "submit_order")
    if request.method != "POST":
        return _open_page(request, *_first_values(request))
    step = request.POST.get("step", "check")
    if step in ("check", "send"):
        return _check_or_send(request, step)
    values, rows = _typed(request.POST)
    if step.startswith("meeting-"):
        values |= _for_meeting(request.user, step)
    if step == "anew":
        # The same values as an order of its own: under the old key they would be the order sent before.
        values["key"] = fresh_key()
    return _open_page(request, values, _rows_after(step, rows))


@require_POST
def order_preview(request: SignedInRequest) -> HttpResponse:
    """The fragment beside the form: what the values typed so far would make. Saves nothing."""
    policy.require(request.user, "preview_preparation")
    form, components = _bound(request.user, request.POST)
    preview = preview_of(form, components)
    context = {
        "preview": preview,
        "components": components,
        "live": True,
        "meetings": _offered(request.user, form),
    }
    return render(request, "requests_app/_preview.html", context)


# --- steps ------------------------------------------------------------------------------------------
def _check_or_send(request: SignedInRequest, step: str) -> HttpResponse:
    form, components = _bound(request.user, request.POST)
    # Both are looked at, so that one post names every error.
    if not all([form.is_valid(), components.is_valid()]):
        return _refused_page(request, form, components)
    draft = draft_from(form, components)
    try:
        key = form.cleaned_data["key"]
        if step == "send":
            order = submit_order(actor=request.user, draft=draft, idempotency_key=key)
            return redirect(address_of(order.reference))
        before = order_sent_with(actor=request.user, draft=draft, idempotency_key=key)
        if before is not None:
            # By the back button: a fresh check page would look as if nothing had been sent.
            order, same = before
            context = {"order": order, "same": same, "form": form, "components": components}
            return _not_kept(render(request, "requests_app/order_sent_before.html", context))
        plan = plan_order(actor=request.user, draft=draft)
    except InvalidInput as refusal:
        show_refusal(refusal.errors, form, components)
        return _refused_page(request, form, components)
    response = render(
        request,
        "requests_app/order_check.html",
        {
            "form": form,
            "components": components,
            "draft": draft,
            "plan": plan,
            "volume": volume_of(draft),
            "waits": [] if plan["feasible"] else waiting_reasons(plan),
            "offers": offers_in(plan),
            "late": lateness_of(draft.due_at, plan),
            "approval": [] if is_approved_by_sending(request.user) else approval_reasons_for(draft, plan),
            "warnings": [one for one in plan["problems"] if one["severity"] == "warn"],
        },
    )
    return _not_kept(response)


def _not_kept(response: HttpResponse) -> HttpResponse:
    # The answer to a post that is not kept at all leaves the back button with nothing to show.
    response["Cache-Control"] = "private, no-cache"
    return response


def _rows_after(step: str, rows: list[Values]) -> list[Values]:
    """The component rows after a button that adds, removes or settles one."""
    event, _, rest = step.partition("-")
    index, _, key = rest.partition("-")
    if event == "add" and len(rows) < MAX_COMPONENTS:
        return [*rows, _EMPTY_ROW]
    if not (index.isascii() and index.isdigit() and len(index) < 4 and int(index) < len(rows)):
        return rows
    if event == "remove" and len(rows) > 1:
        return [row for position, row in enumerate(rows) if position != int(index)]
    if event == "choose":
        return [
            {**row, "substance": selectors.substance_name(key) or row["substance"]}
            if position == int(index)
            else row
            for position, row in enumerate(rows)
        ]
    if event in ("use", "asked"):
        return [
            {**row, "from_lot": key if event == "use" else ""} if position == int(index) else row
            for position, row in enumerate(rows)
        ]
    return rows


def _offered(actor: User, form: OrderForm) -> list[NextMeeting]:
    """The next meetings of the sections that are ticked."""
    ticked = form["sections"].value() or []
    return next_meetings(actor, [form.sections_by_id[one].pk for one in ticked if one in form.sections_by_id])


def _for_meeting(actor: User, step: str) -> Values:
    """Day, time and room of a meeting that was offered; nothing for one that is none any more."""
    key = step.removeprefix("meeting-")
    chosen = (
        next_meeting(actor, int(key)) if key.isascii() and key.isdigit() and len(key) < MAX_DIGITS else None
    )
    if chosen is None:
        return {}
    due = timezone.localtime(chosen.due_at)
    room = {"room": chosen.room} if chosen.room else {}
    return {"due_date": f"{due:%Y-%m-%d}", "due_time": f"{due:%H:%M}", **room}


# --- the page -----------------------------------------------------------------------------------------
def _open_page(request: SignedInRequest, values: Values, rows: list[Values]) -> HttpResponse:
    """The form with values in it and no judgement: nobody has finished filling it in."""
    preview = preview_of(OrderForm(values, actor=request.user), _components_of(rows))
    form = OrderForm(initial=values, actor=request.user)
    return _page(request, form, Components(initial=rows, prefix=PREFIX), preview, 200)


def _refused_page(request: SignedInRequest, form: OrderForm, components: ComponentFormSet) -> HttpResponse:
    """The form with every error beside its field, and all that was typed."""
    # From fresh forms: what a service refused stands beside the field and need not be said twice.
    preview = preview_of(*_bound(request.user, request.POST))
    return _page(request, form, components, preview, 422)


def _page(
    request: SignedInRequest, form: OrderForm, components: ComponentFormSet, preview: Any, status: int
) -> HttpResponse:
    context = {
        "form": form,
        "components": components,
        "preview": preview,
        "may_add": len(components) < MAX_COMPONENTS,
        # After a post, and when an old order is repeated, the values come from here and not from what the
        # browser kept of an earlier visit.
        "shows_typed": request.method == "POST" or "like" in request.GET,
        "rooms": selectors.rooms_used(),
        "rules": selectors.department_rules(),
        "meetings": _offered(request.user, form),
    }
    return render(request, "requests_app/order_form.html", context, status=status)


# --- what was typed -----------------------------------------------------------------------------------
def _first_values(request: SignedInRequest) -> tuple[Values, list[Values]]:
    like = request.GET.get("like", "")
    if like:
        order = selectors.order_with_everything(request.user, like)
        if is_unknown(order):
            # A sample is no solution to be ordered again: the order of that would carry its figure.
            raise Http404(f"{order.reference} is a coded sample. Order another set of unknowns.")
        return values_like(order)
    last = selectors.last_order_of(request.user)
    sections = selectors.sections_to_order_for(request.user, timezone.localdate())
    return fresh_values(last, sections), [_EMPTY_ROW]


def _typed(data: QueryDict) -> tuple[Values, list[Values]]:
    """All that was typed, as it was typed, without judging it."""
    values: Values = {
        name: data.getlist(name) if name == "sections" else data.get(name, "")
        for name in OrderForm.base_fields
    }
    rows: list[Values] = [
        {name: data.get(f"{PREFIX}-{index}-{name}", "") for name in ComponentForm.base_fields}
        for index in range(_row_count(data))
    ]
    return values, rows


def _row_count(data: QueryDict) -> int:
    count = data.get(f"{PREFIX}-TOTAL_FORMS", "1")
    sound = count.isascii() and count.isdigit() and len(count) < 4
    return min(max(int(count), 1), MAX_COMPONENTS) if sound else 1


def _bound(actor: User, data: QueryDict) -> tuple[OrderForm, ComponentFormSet]:
    values, rows = _typed(data)
    return OrderForm(values, actor=actor), _components_of(rows)


def _components_of(rows: list[Values]) -> ComponentFormSet:
    data: Values = {
        f"{PREFIX}-{index}-{name}": value for index, row in enumerate(rows) for name, value in row.items()
    }
    data |= {f"{PREFIX}-TOTAL_FORMS": str(len(rows)), f"{PREFIX}-INITIAL_FORMS": "0"}
    return Components(data, prefix=PREFIX)
