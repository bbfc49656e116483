"""Orders made together: what is, what could be, what it saves; pulled out, merged and divided by hand."""

from datetime import datetime, time, timedelta
from typing import Any, Final

from django.contrib import messages
from django.db.models import Count, Prefetch, Q, QuerySet
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from requests_app import selectors, states
from requests_app.bench_forms import HandOverForm
from requests_app.models import Batch, Order, Sheet, Term
from requests_app.saving import savings_of
from requests_app.saving import together as added
from requests_app.selectors.together import division_of, loaded, proposals, volume_words
from requests_app.services.arranging import may_pull_out, merge_batches, pull_out
from requests_app.services.handing_over import hand_over_order
from requests_app.services.together import put_together
from requests_app.together_forms import PullOutForm

# One press plans no more than so many; a term is planned from its own page.
MOST_AT_ONCE: Final = 60
_SHOWN: Final = 60


@require_safe
def together_page(request: SignedInRequest) -> HttpResponse:
    """What is made together, what could be, and what it saves this week and this term."""
    policy.require(request.user, "arrange_batches")
    batches = selectors.batches_visible_to(request.user)
    now = timezone.localtime()
    monday = timezone.make_aware(datetime.combine(now.date() - timedelta(days=now.weekday()), time()))
    term = Term.objects.filter(starts_on__lte=now.date(), ends_on__gte=now.date()).first()
    open_ones = _shared(batches.filter(state__in=states.OPEN_BATCH_STATES))
    shared = list(open_ones.order_by("due_at", "pk")[:_SHOWN])
    saved = savings_of(shared)
    context = {
        "rows": [(batch, division_of(batch, batch.orders.all()), saved[batch.pk]) for batch in shared],
        "week": _period(batches, monday, monday + timedelta(days=7)),
        "term": term,
        "over_term": _period(batches, _midnight(term.starts_on), _midnight(term.ends_on + timedelta(days=1)))
        if term
        else None,
        "proposals": [
            (found, volume_words(volume)) for found, volume in proposals(batches.filter(state=states.QUEUED))
        ],
        "waiting_count": len(_waiting(request)),
        "most_at_once": MOST_AT_ONCE,
    }
    return render(request, "requests_app/together.html", context)


def _waiting(request: SignedInRequest) -> list[Order]:
    return [order for order in selectors.waiting_orders(request.user) if not order.approval_reasons]


def _midnight(day: Any) -> datetime:
    return timezone.make_aware(datetime.combine(day, time()))


def _shared(batches: QuerySet[Batch]) -> QuerySet[Batch]:
    """Batches for several orders, with what their saving is worked out from."""
    return (
        batches.annotate(served=Count("orders", filter=~Q(orders__state=states.CANCELLED)))
        .filter(served__gt=1)
        .prefetch_related(
            Prefetch("orders", loaded(Order.objects.order_by("due_at", "pk"))),
            Prefetch("sheets", Sheet.objects.order_by("-revision")),
        )
    )


def _period(batches: QuerySet[Batch], start: datetime, end: datetime) -> dict[str, Any]:
    """Of the batches due in a period: counted for all, minutes from those for several orders."""
    due = batches.filter(due_at__gte=start, due_at__lt=end).exclude(state=states.CANCELLED)
    counted = due.aggregate(
        batches=Count("pk", distinct=True),
        orders=Count("orders", filter=~Q(orders__state=states.CANCELLED)),
    )
    saved = added(savings_of(_shared(due).order_by("due_at", "pk")).values())
    return {**counted, "fewer": max(counted["orders"] - counted["batches"], 0), "saved": saved}


@require_POST
def merge(request: SignedInRequest) -> HttpResponse:
    """Make several batches of the queue as one."""
    policy.require(request.user, "arrange_batches")
    chosen: dict[str, int] = {}
    for text in request.POST.getlist("batch")[:_SHOWN]:
        reference, _, version = text.partition(" ")
        is_number = version.isascii() and version.isdigit() and len(version) < 10
        chosen[reference] = int(version) if is_number else 0
    batches = list(selectors.batches_visible_to(request.user).filter(reference__in=chosen))
    made = merge_batches(
        actor=request.user,
        batches=batches,
        reason=request.POST.get("reason", "")[:200],
        seen_versions={batch.pk: chosen[batch.reference] for batch in batches},
    )
    messages.success(request, f"They are one batch now, {made.reference}, planned for all of them.")
    return redirect("requests_app:batch", made.reference)


@require_POST
def plan_waiting(request: SignedInRequest) -> HttpResponse:
    """Plan the waiting orders on today's shelf, those of one solution together."""
    policy.require(request.user, "arrange_batches")
    waiting = _waiting(request)[:MOST_AT_ONCE]
    outcome = put_together(actor=request.user, orders=waiting, reason="planned together")
    made, left = len(outcome.batches), len(outcome.waiting)
    messages.success(
        request,
        f"{made} {'batch' if made == 1 else 'batches'} stand in the queue for them;"
        f" {left} {'order waits' if left == 1 else 'orders wait'} on, with the reasons.",
    )
    return redirect("requests_app:together")


@require_http_methods(["GET", "HEAD", "POST"])
def order_pull_out(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say what pulling an order out of its batch does, then do it."""
    order = selectors.order_with_everything(request.user, reference)
    if request.method == "POST":
        policy.require(request.user, "see_own_orders")
    version = order.batch.version if order.batch else 0
    form = PullOutForm(request.POST if request.method == "POST" else None, initial={"version": version})
    if request.method == "POST" and form.is_valid():
        seen = form.cleaned_data["version"]
        done = pull_out(
            actor=request.user, order=order, reason=form.cleaned_data["reason"], seen_version=seen
        )
        messages.success(request, f"{done.reference} is made by itself.")
        return redirect("requests_app:order", done.reference)
    others = _others(order)
    context = {
        "order": order,
        "others": others,
        "form": form,
        "may_pull_out": may_pull_out(request.user, order) and order.state in (states.WAITING, states.QUEUED),
    }
    return render(request, "requests_app/pull_out.html", context, status=422 if form.errors else 200)


def _others(order: Order) -> list[Order]:
    if order.batch is None:
        return []
    return list(order.batch.orders.exclude(pk=order.pk).exclude(state=states.CANCELLED).order_by("pk"))


@require_http_methods(["GET", "HEAD", "POST"])
def order_hand_over(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say what one order gets of a batch that is ready, then hand it over."""
    policy.require(request.user, "hand_over_batch")
    order = selectors.order_with_everything(request.user, reference)
    form = HandOverForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        done = hand_over_order(actor=request.user, order=order, note=form.cleaned_data["note"])
        messages.success(request, f"{done.reference} is handed over for {done.room}.")
        return redirect("requests_app:batch", done.batch.reference if done.batch else reference)
    if order.batch is None or order.state != states.READY:
        return redirect("requests_app:order", order.reference)
    shares = division_of(order.batch, order.batch.orders.all())
    context = {
        "order": order,
        "batch": order.batch,
        "share": next(one for one in shares if one.order.pk == order.pk),
        "form": form,
    }
    return render(request, "requests_app/order_hand_over.html", context, status=422 if form.is_bound else 200)
