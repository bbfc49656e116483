"""A batch: its page, and its sheet for paper."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.booked import booked_for
from requests_app.models import Batch
from requests_app.saving import saving_of
from requests_app.selectors import (
    batch_with_everything,
)
from requests_app.selectors.changes import changes_of, comments_on
from requests_app.selectors.mishaps import made_again_as, mishap_lines
from requests_app.selectors.together import division_of, not_before
from requests_app.views.claiming import hands_context
from requests_app.views.of_a_batch import common_context, steps_of
from requests_app.views.parts import (
    cautions_of_the_whole,
    holds,
    identities,
    open_events,
    sheet_lines,
    sheet_of,
)
from requests_app.views.serving import choices_for


@require_safe
def batch(request: SignedInRequest, reference: str) -> HttpResponse:
    """Everything about one batch, and what may be done with it now."""
    policy.require(request.user, "see_queue")
    found = batch_with_everything(request.user, reference)
    return render(request, "requests_app/batch.html", _batch_context(request, found))


def _batch_context(request: SignedInRequest, found: Batch) -> dict[str, Any]:
    sheet = sheet_of(found)
    steps = steps_of(found, sheet)
    division = division_of(found, found.orders.all())
    return {
        **common_context(found, sheet, steps),
        "identities": identities(found, sheet),
        "events": open_events(request.user, found, steps),
        "may_record": found.state in (states.CLAIMED, states.IN_WORK) and holds(request.user, found),
        "may_give_up": _may_give_up(request.user, found),
        "history": [(states.EVENT_WORDS[entry.event], entry) for entry in found.events.all()],
        "may_see": policy.may(request.user, "work_batch")
        and (found.state not in (states.CLAIMED, states.IN_WORK) or holds(request.user, found)),
        "changes": changes_of(found),
        "comments": comments_on(found),
        "older": [old for old in found.sheets.all() if old.pk != sheet.pk],
        "division": division,
        # What is ready for an order leaves in its bottles; the page of those leads to the other way too.
        "in_bottles": any(share.is_ready for share in division),
        "not_before": not_before(found, found.orders.all()),
        "saving": saving_of(sheet.plan, list(found.orders.all())),
        **hands_context(request.user, found),
        "mishaps": mishap_lines(found),
        "made_again": made_again_as(found),
        "booked": booked_for([(found, sheet.plan)]).get(found.pk),
        "serving": [(order, choices_for(request.user, order)) for order in found.orders.all()],
    }


def _may_give_up(actor: User, found: Batch) -> bool:
    """Whether a spoilt batch is theirs to give up; one that is only claimed is put back instead."""
    if found.state == states.READY:
        return policy.may(actor, "work_batch")
    mine = found.claimed_by_id == actor.pk
    return found.state == states.IN_WORK and (mine or actor.role == policy.MANAGER)


@require_safe
def sheet(request: SignedInRequest, reference: str) -> HttpResponse:
    """The sheet for paper; an older revision by ``?revision=`` stays readable and says what it is."""
    policy.require(request.user, "see_queue")
    found = batch_with_everything(request.user, reference)
    asked = request.GET.get("revision", "")
    chosen = sheet_of(found, int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 10 else None)
    steps = steps_of(found, chosen)
    context = {
        **common_context(found, chosen, steps),
        "lines": sheet_lines(steps),
        "identities": identities(found, chosen),
        "newest": sheet_of(found),
        "division": division_of(found, found.orders.all()),
        "not_before": not_before(found, found.orders.all()),
        "cautions": cautions_of_the_whole(chosen.plan),
    }
    return render(request, "requests_app/sheet.html", context)
