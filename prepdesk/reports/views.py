"""The manager's review of use."""

from django.conf import settings
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.spreadsheet import csv_lines
from prepdesk.reports.forms import PeriodForm
from prepdesk.reports.mishaps import CSV_HEADER as MISHAPS_HEADER
from prepdesk.reports.mishaps import by_kind, went_wrong
from prepdesk.reports.selectors import use_by_course, use_by_substance
from prepdesk.reports.waste import CSV_HEADER as WASTE_HEADER
from prepdesk.reports.waste import wasted

CSV_HEADER = (
    "from",
    "to",
    "course",
    "course title",
    "substance",
    "formula",
    "kind",
    "drawn",
    "unit",
    "batches",
)


@require_safe
def use(request: SignedInRequest) -> HttpResponse:
    """What was drawn in a period, by substance and by course."""
    policy.require(request.user, "see_review")
    form = PeriodForm(request.GET or {})
    if not form.is_valid():
        return render(request, "reports/use.html", {"form": form}, status=422)
    period = form.cleaned_data["period"]
    mishaps = went_wrong(actor=request.user, period=period)
    return render(
        request,
        "reports/use.html",
        {
            "form": PeriodForm.showing(period),
            "period": period,
            "substances": use_by_substance(actor=request.user, period=period),
            "courses": use_by_course(actor=request.user, period=period),
            "wasted": wasted(actor=request.user, period=period),
            "mishaps": mishaps,
            "mishap_kinds": by_kind(mishaps),
            "currency": settings.DEPARTMENT_CURRENCY,
        },
    )


@require_safe
def use_csv(request: SignedInRequest) -> HttpResponse | StreamingHttpResponse:
    """The same by course, as a file for a spreadsheet."""
    policy.require(request.user, "see_review")
    form = PeriodForm(request.GET or {})
    if not form.is_valid():
        return render(request, "reports/use.html", {"form": form}, status=422)
    period = form.cleaned_data["period"]
    rows = (
        (
            period.first.isoformat(),
            period.last.isoformat(),
            row.course,
            row.title,
            row.substance,
            row.formula,
            row.kind,
            row.drawn,
            row.unit,
            row.batches,
        )
        for row in use_by_course(actor=request.user, period=period)
    )
    response = StreamingHttpResponse(csv_lines(CSV_HEADER, rows), content_type="text/csv; charset=utf-8")
    name = f"use-{period.first.isoformat()}-to-{period.last.isoformat()}.csv"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@require_safe
def waste_csv(request: SignedInRequest) -> HttpResponse | StreamingHttpResponse:
    """Every disposal of a period with its waste stream, as a file for a spreadsheet."""
    policy.require(request.user, "see_review")
    form = PeriodForm(request.GET or {})
    if not form.is_valid():
        return render(request, "reports/use.html", {"form": form}, status=422)
    period = form.cleaned_data["period"]
    rows = (row.cells for row in wasted(actor=request.user, period=period))
    response = StreamingHttpResponse(csv_lines(WASTE_HEADER, rows), content_type="text/csv; charset=utf-8")
    name = f"waste-{period.first.isoformat()}-to-{period.last.isoformat()}.csv"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


@require_safe
def mishaps_csv(request: SignedInRequest) -> HttpResponse | StreamingHttpResponse:
    """Everything that went wrong at the bench in a period with its cost, as a file for a spreadsheet."""
    policy.require(request.user, "see_review")
    form = PeriodForm(request.GET or {})
    if not form.is_valid():
        return render(request, "reports/use.html", {"form": form}, status=422)
    period = form.cleaned_data["period"]
    rows = (row.cells for row in went_wrong(actor=request.user, period=period))
    response = StreamingHttpResponse(csv_lines(MISHAPS_HEADER, rows), content_type="text/csv; charset=utf-8")
    name = f"went-wrong-{period.first.isoformat()}-to-{period.last.isoformat()}.csv"
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
