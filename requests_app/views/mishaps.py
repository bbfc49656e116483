"""Something went wrong at the bench: big buttons first, then the few figures that count."""

from typing import Any, Final

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import NoReverseMatch, reverse
from django.views.decorators.http import require_http_methods

from inventory.amounts import from_base
from inventory.models import ApparatusItem, Lot
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.typed import TypedNumber
from prepdesk.core.errors import Conflict, DomainError, InvalidInput, NotAllowed, NotInThisState
from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.bench_forms import fresh_key
from requests_app.cards import items_of
from requests_app.concealing import ASK_THE_KEY, may_read_batch
from requests_app.mishap_forms import (
    FROM_BOTTLE,
    WHY,
    BrokenForm,
    FailedForm,
    GuardedForm,
    OvershotForm,
    SpillForm,
)
from requests_app.models import Batch
from requests_app.selectors import BenchStep, active_holds, batch_with_everything, readings_of
from requests_app.services.at_work import AT_WORK
from requests_app.services.breaking import note_broken
from requests_app.services.overshooting import (
    is_read_on_a_scale,
    note_overshot,
    read_past_the_line,
    ways_after,
)
from requests_app.services.spilling import note_spill, note_spoilt_step, spoilable, still_short
from requests_app.services.stopping import gone_by_hold, stop_batch
from requests_app.sheets import lot_of
from requests_app.views.of_a_batch import add_errors, common_context, given_up_words, steps_of
from requests_app.views.parts import holds, sheet_of

WAYS: Final = ("spilled", "overshot", "broken", "failed")


class _Page:
    """One request about one step: what it is about, and how its answer is drawn."""

    def __init__(self, request: SignedInRequest, found: Batch, number: int) -> None:
        self.request, self.found, self.number = request, found, number
        self.sheet = sheet_of(found)
        self.steps = steps_of(found, self.sheet)
        chosen = next((one for one in self.steps if one.step["number"] == number), None)
        if chosen is None:
            raise Http404
        self.chosen: BenchStep = chosen
        data = request.POST if request.method == "POST" else request.GET
        self.what = data.get("what", "") if data.get("what") in WAYS else ""
        self.data = request.POST if request.method == "POST" else None

    @property
    def initial(self) -> dict[str, Any]:
        return {"key": fresh_key(), "version": self.found.version}

    def sent(self, form: GuardedForm) -> dict[str, Any]:
        """What every service here is told."""
        return {
            "actor": self.request.user,
            "batch": self.found,
            "step_number": self.number,
            "idempotency_key": form.cleaned_data["key"],
            "seen_version": form.cleaned_data["version"],
        }

    def shown(self, form: GuardedForm | None = None, *, status: int = 200, **more: Any) -> HttpResponse:
        context = {
            **common_context(self.found, self.sheet, self.steps),
            "chosen": self.chosen,
            "step": self.chosen.step,
            "what": self.what,
            "form": form,
            "can_spill": bool(self.lots()),
            "can_overshoot": _may_be_past(self.chosen),
            **more,
        }
        return render(self.request, "requests_app/mishap.html", context, status=status)

    def on_to(self, what: str, **more: str) -> HttpResponse:
        query = "&".join(f"{name}={value}" for name, value in {"what": what, **more}.items())
        address = reverse("requests_app:mishap", args=[self.found.reference, self.number])
        return redirect(f"{address}?{query}")

    def to_step(self, number: int | None = None) -> HttpResponse:
        return redirect("requests_app:step", self.found.reference, number or self.number)

    def lots(self) -> list[Lot]:
        """The bottles that were opened up to this step, its own first."""
        keys = [lot_of(one.step) for one in reversed(self.steps) if one.is_done or one is self.chosen]
        wanted = list(dict.fromkeys(key for key in (lot_of(self.chosen.step), *keys) if key is not None))
        there = Lot.objects.select_related("substance").in_bulk(wanted)
        return [there[key] for key in wanted if key in there]


@require_http_methods(["GET", "HEAD", "POST"])
def mishap(request: SignedInRequest, reference: str, number: int) -> HttpResponse:
    """What went wrong, by a press; what it does to the stock and to the work is said before it is done."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    if request.method == "POST" and _was_sent(request, found):
        return redirect("requests_app:batch", found.reference)
    refusal = _why_not(request, found)
    if refusal is not None:
        context = {"refusal": refusal, "batch": found, "place": "requests_app:queue"}
        return render(request, "requests_app/step_refused.html", context, status=refusal.status)
    page = _Page(request, found, number)
    ask = {"spilled": _spilled, "overshot": _overshot, "broken": _broken, "failed": _failed}.get(page.what)
    return ask(page) if ask is not None else page.shown()


def _was_sent(request: SignedInRequest, found: Batch) -> bool:
    """Whether this very form arrived before; what it offered then need not be there any more."""
    key = request.POST.get("key", "")
    given_up = found.state == states.CANCELLED and request.POST.get("what") == "failed"
    return given_up or any(one.idempotency_key == key for one in found.mishaps.all())


def _why_not(request: SignedInRequest, found: Batch) -> DomainError | None:
    if not may_read_batch(request.user, found):
        return NotAllowed(ASK_THE_KEY)
    if found.state not in AT_WORK:
        return NotInThisState(f"{found.reference} is “{found.get_state_display()}”; nobody works on it now.")
    if not holds(request.user, found) and found.claimed_at:
        return Conflict(
            f"{found.claimed_by} has {found.reference} since {absolute_words(found.claimed_at)}. "
            "They write down what went wrong with it."
        )
    return None


# --- spilled ----------------------------------------------------------------------------------------
def _spilled(page: _Page) -> HttpResponse:
    lots = page.lots()
    asked = (page.request.POST if page.data is not None else page.request.GET).get("lot", "")
    lot = next((one for one in lots if one.code == asked), lots[0] if len(lots) == 1 else None)
    if lot is None:
        return page.shown(lots=lots)
    back = [one for one in spoilable(page.steps) if lot_of(one.step) == lot.pk]
    form = SpillForm(page.data, initial=page.initial, lot=lot, spoilable=back)
    if page.data is None or not form.is_valid():
        return page.shown(form, status=422 if form.is_bound else 200, lot=lot)
    data = form.cleaned_data
    stream = data.get("waste_stream")
    again = None if data["how"] == FROM_BOTTLE else int(data["how"])
    try:
        if again is None:
            note_spill(**page.sent(form), lot=lot, amount_text=data["amount"].text, waste_stream=stream)
        else:
            note_spoilt_step(**page.sent(form), spoilt=again, waste_stream=stream)
    except InvalidInput as invalid:
        add_errors(form, invalid)
        return page.shown(form, status=422, lot=lot)
    messages.success(page.request, f"It is written down, and what was spilled of {lot.code} is booked out.")
    if again is not None:
        messages.warning(
            page.request,
            f"Step {again} is done again, whole and in a clean vessel: nothing of the first portion goes "
            "into the solution. Its reading stays in the history.",
        )
    short = still_short(page.found, lot)
    if short:
        messages.warning(page.request, short)
        return _to_run_out(page, again or page.number)
    return page.to_step(again)


def _to_run_out(page: _Page, number: int) -> HttpResponse:
    try:
        return redirect(reverse("requests_app:run_out", args=[page.found.reference, number]))
    except NoReverseMatch:
        return page.to_step(number)


# --- past the mark ------------------------------------------------------------------------------------
def _may_be_past(chosen: BenchStep) -> bool:
    return bool(chosen.step.get("window")) or chosen.step["action"] == "make_up"


def _overshot(page: _Page) -> HttpResponse:
    step = page.chosen.step
    on_scale = is_read_on_a_scale(page.sheet.plan, step)
    if not step.get("window") and not on_scale:
        return page.shown(unreadable=True)
    form = OvershotForm(page.data, initial=page.initial, unit=step["quantity"]["unit"])
    more: dict[str, Any] = {"on_scale": on_scale, "excess": _may_take_out(step)}
    if page.data is None or not form.is_valid():
        return page.shown(form, status=422 if form.is_bound else 200, **more)
    read: TypedNumber = form.cleaned_data["reading"]
    try:
        if form.wants_to_keep:
            note_overshot(**page.sent(form), reading_text=read.text)
            messages.success(page.request, "It is recorded as it is, and counted with from here on.")
            return page.to_step()
        if on_scale:
            read_past_the_line(page.sheet.plan, step, read.text)
    except InvalidInput as invalid:
        add_errors(form, invalid)
        return page.shown(form, status=422, **more)
    ways = ways_after(page.sheet.plan, readings_of(page.steps), page.number, read)
    return page.shown(form, ways=ways, **more)


def _may_take_out(step: dict[str, Any]) -> bool:
    """A solid on the pan can be taken off it again; a liquid or what is dissolved can't."""
    lot = lot_of(step)
    return step["action"] == "weigh" and Lot.objects.filter(pk=lot or 0, kind=Lot.Kind.SOLID).exists()


# --- broken -------------------------------------------------------------------------------------------
def _broken(page: _Page) -> HttpResponse:
    form = BrokenForm(page.data, initial=page.initial, items=items_of(page.sheet.plan))
    if page.data is None or not form.is_valid():
        return page.shown(form, status=422 if form.is_bound else 200)
    item: ApparatusItem = form.cleaned_data["item"]
    try:
        note_broken(**page.sent(form), item=item)
    except InvalidInput as invalid:
        add_errors(form, invalid)
        return page.shown(form, status=422)
    item.refresh_from_db()
    left = f"{item.there} left" if item.there else "none is left that can be used"
    messages.success(page.request, f"The {item.words} is noted as broken: {left}. Plans count with that.")
    if form.cleaned_data["in_it"] == "lost":
        return page.on_to("failed", why="broken")
    if form.cleaned_data["in_it"] == "weighed":
        return page.on_to("spilled")
    return page.to_step()


# --- given up -----------------------------------------------------------------------------------------
def _failed(page: _Page) -> HttpResponse:
    why = page.request.GET.get("why", "")
    form = FailedForm(page.data, initial={**page.initial, "why": why if why in WHY else None})
    promised = active_holds(page.found)
    gone = gone_by_hold(page.found, page.sheet, promised)
    drawn = [(one.lot, from_base(gone[one.pk], one.lot.unit)) for one in promised if gone[one.pk]]
    if page.data is None or not form.is_valid():
        return page.shown(form, status=422 if form.is_bound else 200, drawn=drawn)
    stop_batch(actor=page.request.user, batch=page.found, reason=form.words)
    messages.success(page.request, given_up_words(page.found))
    return redirect("requests_app:batch", page.found.reference)
