"""The pages of those who order: the list, the form with its live preview, one order."""

from typing import Any, Final

from django.core.paginator import Paginator
from django.http import HttpResponse, JsonResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from requests_app import selectors, states
from requests_app.change_forms import CommentForm
from requests_app.concealing import is_unknown, may_read_order
from requests_app.drafts import draft_of, volume_of
from requests_app.models import Order
from requests_app.order_course import course_of
from requests_app.search import substance_options
from requests_app.selectors.changes import changes_since_sent
from requests_app.selectors.portions import rows_of_order
from requests_app.selectors.recalls import stopped_lots
from requests_app.selectors.together import made_with
from requests_app.services.arranging import may_pull_out
from requests_app.services.choices import choose_source
from requests_app.services.orders import cancel_order, replan_order
from requests_app.views.serving import choices_for

PER_PAGE: Final = 50
MAX_QUERY: Final = 100
MAX_KEY: Final = 120
MAX_DIGITS: Final = 15


@require_safe
def order_list(request: SignedInRequest) -> HttpResponse:
    """The orders a person may see, narrowed by ``?show=``."""
    policy.require(request.user, "see_own_orders")
    chosen = request.GET.get("show", "")
    if chosen not in selectors.ORDER_FILTERS:
        chosen = next(iter(selectors.ORDER_FILTERS))
    rows = selectors.order_rows(request.user, chosen, timezone.now())
    page = Paginator(rows, PER_PAGE).get_page(request.GET.get("page"))
    counts = selectors.order_counts(request.user)
    return render(
        request,
        "requests_app/order_list.html",
        {
            "page": page,
            "chosen": chosen,
            "filters": [(name, label, counts[name]) for name, label in selectors.ORDER_FILTERS.items()],
            "has_any": bool(counts["all"]),
            "sees_all": policy.may(request.user, "see_every_order"),
            "may_order": policy.may(request.user, "submit_order"),
        },
    )


@require_safe
def order_detail(request: SignedInRequest, reference: str) -> HttpResponse:
    """One order: where it stands, what it waits for, how it is made, what is in the bottle."""
    return order_page(request, selectors.order_with_everything(request.user, reference))


def order_page(
    request: SignedInRequest, order: Order, *, comment_form: CommentForm | None = None, status: int = 200
) -> HttpResponse:
    """The page of a loaded order, with what was typed as a comment and could not be taken."""
    context = {
        **_about(request, order),
        **choices_for(request.user, order),
        **_since_sent(request.user, order),
        "comment_form": comment_form or CommentForm(),
        "sent": "sent" in request.GET,
        "was_chosen": "chosen" in request.GET,
        "was_changed": "changed" in request.GET,
    }
    return render(request, "requests_app/order.html", context, status=status)


def _since_sent(actor: User, order: Order) -> dict[str, Any]:
    """What changed since the order was sent, what was said, and what may still be changed."""
    own = order.ordered_by_id == actor.pk or actor.role == policy.MANAGER
    may_touch = own and policy.may(actor, "change_order") and order.is_open
    return {
        "revisions": changes_since_sent(order),
        "comments": order.comments.select_related("author"),
        "additions": order.additions.select_related("batch"),
        "may_change": may_touch and not is_unknown(order),
        "may_withdraw": may_touch and (order.state, "withdraw") in states.ORDER_NEXT,
        "may_comment": policy.may(actor, "comment_order"),
    }


def _about(request: SignedInRequest, order: Any) -> dict[str, Any]:
    own = order.ordered_by_id == request.user.pk or request.user.role == policy.MANAGER
    # Sheets come newest first.
    sheet = next(iter(order.batch.sheets.all()), None) if order.batch else None
    stopped = stopped_lots([order.batch.pk]).get(order.batch.pk, ()) if order.batch else ()
    return {
        "order": order,
        "made_with": made_with(order),
        # Also those of a batch that was given up since.
        "bottles": rows_of_order(request.user, order),
        "may_pull_out": may_pull_out(request.user, order) and order.state == states.QUEUED,
        "stopped": stopped,
        "volume": volume_of(draft_of(order)),
        "sheet": sheet,
        "plan": sheet.plan if sheet else None,
        "warnings": [one for one in sheet.plan["problems"] if one["severity"] == "warn"] if sheet else [],
        "may_cancel": own
        and policy.may(request.user, "cancel_order")
        and (order.state, "cancel") in states.ORDER_NEXT,
        "may_decide": policy.may(request.user, "approve_order") and order.state == states.APPROVAL,
        "course": course_of(order),
        "may_replan": policy.may(request.user, "replan_order")
        and order.state in (states.WAITING, states.QUEUED),
        "may_order": policy.may(request.user, "submit_order") and not is_unknown(order),
        "unknowns": order.unknown_sample.unknown_set if is_unknown(order) else None,
        "concealed": not may_read_order(request.user, order),
        "may_see_batch": policy.may(request.user, "see_queue"),
    }


@require_http_methods(["GET", "HEAD", "POST"])
def order_cancel(request: SignedInRequest, reference: str) -> HttpResponse:
    """A page of its own before an order is cancelled, since that can't be undone."""
    policy.require(request.user, "cancel_order")
    order = selectors.order_with_everything(request.user, reference)
    if request.method == "POST":
        cancel_order(actor=request.user, order=order, reason=request.POST.get("reason", "").strip()[:300])
        return redirect("requests_app:order", order.reference)
    return render(request, "requests_app/order_cancel.html", _about(request, order))


@require_POST
def order_plan_again(request: SignedInRequest, reference: str) -> HttpResponse:
    """Plan a waiting or queued order on today's shelf."""
    policy.require(request.user, "replan_order")
    order = selectors.order_with_everything(request.user, reference)
    replan_order(actor=request.user, order=order, reason=request.POST.get("reason", "").strip()[:200])
    return redirect("requests_app:order", order.reference)


@require_POST
def order_source(request: SignedInRequest, reference: str) -> HttpResponse:
    """Let a component be made from a bottle that was offered, or take that choice back."""
    policy.require(request.user, "choose_source")
    order = selectors.order_with_everything(request.user, reference)
    code = request.POST.get("lot", "")
    lot = selectors.lot_to_choose(code) if code else None
    if code and lot is None:
        raise InvalidInput({"lot": f"There is no bottle {code[:20]}. Look again at what would serve."})
    choose_source(
        actor=request.user,
        order=order,
        component=_whole(request.POST.get("component", "")),
        lot=lot,
        seen_event=_whole(request.POST.get("seen", "")),
        idempotency_key=request.POST.get("key", "")[:MAX_KEY],
    )
    return redirect(f"{reverse('requests_app:order', args=[order.reference])}?chosen")


def _whole(text: str) -> int:
    """A number of ours that a form carries; -1, which nothing has, for anything else."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < MAX_DIGITS else -1


@require_safe
def substance_search(request: SignedInRequest) -> JsonResponse:
    """What a few letters of a name, a formula or a CAS number may mean, for the field that finds."""
    policy.require(request.user, "preview_preparation")
    found = substance_options(actor=request.user, query=request.GET.get("q", "")[:MAX_QUERY])
    return JsonResponse({"options": found})


def address_of(reference: str) -> str:
    """Where the page of a new order is, with the words for whoever just sent it."""
    return f"{reverse('requests_app:order', args=[reference])}?sent"
