"""A file on its way in: bringing it, looking at what it would do, confirming, how far it is."""

from collections.abc import Iterator
from typing import Any, Final

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import import_states as states
from inventory.forms import BringForm, ConfirmForm
from inventory.importers import Importer, importer_of, importers_for
from inventory.importers.kinds import ROW, WHY
from inventory.importers.progress import has_stopped, progress_of
from inventory.importers.runs import brought_in_before, confirm_run, drop_run, go_on_with_run, start_run
from inventory.importers.work import begin
from inventory.models import ImportRow, ImportRun
from inventory.selectors import import_page, import_runs, rows_of_import
from inventory.views.files import format_or_404
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError, InvalidInput, TooManyTries
from prepdesk.core.spreadsheet import Cell
from prepdesk.core.tables import Column, FileRefused, download

# htmx stops asking when a poll is answered with this status.
STOP_POLLING: Final = 286


def _importer_or_404(kind: str) -> Importer:
    importer = importer_of(kind)
    if importer is None:
        raise Http404("Nothing of this kind can be brought in.")
    return importer


def _run_or_404(request: SignedInRequest, pk: int) -> tuple[ImportRun, Importer]:
    importers = {each.kind: each for each in importers_for(request.user)}
    if not importers:
        policy.require(request.user, "import_stock")
    run = get_object_or_404(import_runs(importers), pk=pk)
    return run, importers[run.kind]


@require_http_methods(["GET", "HEAD", "POST"])
def bring(request: SignedInRequest, kind: str) -> HttpResponse:
    """Choose a file; it is read at once and checked, and nothing is brought in yet."""
    importer = _importer_or_404(kind)
    policy.require(request.user, importer.action)
    form = (
        BringForm(request.POST, request.FILES, importer=importer)
        if request.method == "POST"
        else BringForm(importer=importer)
    )
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                run = start_run(actor=request.user, kind=kind, **form.typed())
            except FileRefused as refusal:
                form.add_error("file", refusal.text)
            except TooManyTries as refusal:
                form.add_error("file", refusal.text)
                status = refusal.status
            else:
                begin(run)
                return redirect("inventory:import_run", run.pk)
    context = {"form": form, "importer": importer, "options": [form[o.name] for o in importer.options]}
    return render(request, "inventory/file_in.html", context, status=status)


@require_safe
def template(request: SignedInRequest, kind: str, form: str) -> HttpResponseBase:
    """An empty file of a kind: the headings, one invented row, and what each column means."""
    importer = _importer_or_404(kind)
    policy.require(request.user, importer.action)
    columns = [column for column in importer.columns if column.is_read]
    return download(
        columns,
        [[column.example for column in columns]],
        name=f"{kind}-template",
        title=importer.label,
        format=format_or_404(form),
        explained=True,
    )


@require_safe
def run(request: SignedInRequest, run: int) -> HttpResponse:
    """What a file would do or did, row by row; while it is worked on, how far that is."""
    found, importer = _run_or_404(request, run)
    return _page(request, found, importer, ConfirmForm(initial={"digest": found.digest}))


def _page(
    request: SignedInRequest, run: ImportRun, importer: Importer, form: ConfirmForm, status: int = 200
) -> HttpResponse:
    live = bool(getattr(request, "htmx", False)) and request.method == "GET"
    working = run.state in (states.READING, states.IMPORTING)
    stopped = has_stopped(run)
    outcome = request.GET.get("show", "")
    number = request.GET.get("page", "1")
    context: dict[str, Any] = {
        "run": run,
        "importer": importer,
        "form": form,
        "working": working and not stopped,
        "stopped": stopped,
        "progress": progress_of(run) if working else None,
        "before": brought_in_before(run) if run.state == states.CHECKED and run.creates else None,
        "shows": _shows(run),
        "show": outcome if outcome in ImportRow.Outcome.values else "",
        "page": None if working else import_page(run, outcome=outcome, page=_page_number(number)),
        "may_drop": (run.state, "drop") in states.IMPORT_NEXT,
        "may_check": (run.state, "check_again") in states.IMPORT_NEXT,
        "read": [option.label for option in importer.options if run.options.get(option.name)],
        "live": live,
    }
    if live and not context["working"]:
        status = STOP_POLLING
    return render(
        request, "inventory/_import.html" if live else "inventory/import.html", context, status=status
    )


def _page_number(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 7 else 1


def _shows(run: ImportRun) -> list[tuple[str, str, int]]:
    counts = {"create": run.creates, "change": run.changes, "same": run.same, "refuse": run.refused}
    told = [(value, str(label), counts[value]) for value, label in ImportRow.Outcome.choices if counts[value]]
    return [("", "All rows", run.total), *told]


@require_POST
def confirm(request: SignedInRequest, run: int) -> HttpResponse:
    """Bring in what was looked at."""
    found, importer = _run_or_404(request, run)
    form = ConfirmForm(request.POST)
    if not form.is_valid():
        return redirect("inventory:import_run", found.pk)
    try:
        won = confirm_run(actor=request.user, run=found, **form.cleaned_data)
    except InvalidInput as refusal:
        for field, text in refusal.errors.items():
            form.add_error(field, text)
        return _page(request, found, importer, form, status=422)
    except DomainError as refusal:
        messages.error(request, refusal.text)
        return redirect("inventory:import_run", found.pk)
    if won:
        begin(import_runs([found.kind]).get(pk=found.pk))
    return redirect("inventory:import_run", found.pk)


@require_POST
def again(request: SignedInRequest, run: int) -> HttpResponse:
    """Go on with what stopped, or check afresh."""
    found, _ = _run_or_404(request, run)
    begin(go_on_with_run(actor=request.user, run=found))
    return redirect("inventory:import_run", found.pk)


@require_POST
def drop(request: SignedInRequest, run: int) -> HttpResponse:
    """Put a file aside."""
    found, importer = _run_or_404(request, run)
    drop_run(actor=request.user, run=found)
    messages.success(request, f"“{found.name}” is dropped. Nothing of it was brought in.")
    return redirect(reverse(importer.home))


@require_safe
def rows(request: SignedInRequest, run: int) -> HttpResponseBase:
    """The rows of a file with what was found about them, to be mended and brought in again."""
    found, importer = _run_or_404(request, run)
    outcome = request.GET.get("show", "")
    by_key = {column.key: column for column in importer.columns if column.is_read}
    kept = [by_key[key] for key in found.columns if key in by_key]
    if importer.result_column and all(column.key != importer.result_column for column in kept):
        kept.insert(0, by_key[importer.result_column])
    told: Iterator[list[Cell]] = (
        [*(_cell(row, column, importer) for column in kept), row.number, _why(row)]
        for row in rows_of_import(found, outcome).iterator(chunk_size=1000)
    )
    day = timezone.localdate().isoformat()
    shown = outcome if outcome in ImportRow.Outcome.values else "rows"
    return download(
        [*kept, ROW, WHY],
        told,
        name=f"{found.kind}-{shown}-{found.pk}-{day}",
        title=importer.label,
        format="csv",
    )


def _cell(row: ImportRow, column: Column, importer: Importer) -> str:
    if column.key == importer.result_column and row.result:
        return row.result
    return str(row.cells.get(column.key, ""))


def _why(row: ImportRow) -> str:
    if row.outcome == ImportRow.Outcome.REFUSE:
        return " ".join(f"{heading}: {text}" if heading else text for heading, text in row.reasons.items())
    return str(row.get_outcome_display())
