"""What every page of a batch shows, and how a refusal of a service gets into its form."""

from typing import Any

from django.http import HttpResponse
from django.shortcuts import render

from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError, InvalidInput
from requests_app.concealing import holds_unknown
from requests_app.models import Batch, Sheet
from requests_app.selectors import (
    BenchStep,
    bench_steps,
)
from requests_app.selectors.changes import is_unwanted, unseen_with_words
from requests_app.selectors.mishaps import made_again_as
from requests_app.selectors.recalls import stopped_lots
from requests_app.selectors.second_look import second_look
from requests_app.views.parts import (
    current_step,
)


def common_context(found: Batch, sheet: Sheet, steps: list[BenchStep]) -> dict[str, Any]:
    return {
        "place": "requests_app:queue",
        "batch": found,
        "sheet": sheet,
        "plan": sheet.plan,
        "steps": steps,
        "current": current_step(steps),
        "stopped": stopped_lots([found.pk]).get(found.pk, ()),
        "concealed": sheet.plan.get("concealed", False),
        "unknown": holds_unknown(found),
        "unseen": unseen_with_words(found),
        "unwanted": is_unwanted(found),
        "second": second_look(found, sheet, found.step_records.all()),
    }


def steps_of(found: Batch, sheet: Sheet) -> list[BenchStep]:
    return bench_steps(sheet, found.step_records.all())


def given_up_words(found: Batch) -> str:
    """What became of a batch that was given up at this moment, and of its orders."""
    again = [one.reference for one in made_again_as(Batch.objects.get(pk=found.pk))]
    then = f"made again as {', '.join(again)}" if again else "its orders wait, with the reasons"
    return f"{found.reference} is given up; {then}."


def add_errors(form: Any, invalid: InvalidInput) -> None:
    for field, text in invalid.errors.items():
        form.add_error(field if field in form.fields else None, text)


def refused_at_bench(request: SignedInRequest, found: Batch, refusal: DomainError) -> HttpResponse:
    """A page of the bench that says why nothing can be done at this step now."""
    context = {
        "refusal": refusal,
        "batch": found,
        "place": "requests_app:queue",
        "stopped": stopped_lots([found.pk]).get(found.pk, ()),
    }
    return render(request, "requests_app/step_refused.html", context, status=refusal.status)
