"""A corrected bench list: what it means for the orders that came from it, and the button that does it."""

from django.contrib import messages
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import NotAllowed
from requests_app.meeting_forms import CorrectionForm
from requests_app.selectors.bench_lists import may_write
from requests_app.selectors.corrections import correction_of, version_or_404
from requests_app.services.corrections import Corrected, apply_correction
from requests_app.views.two_looks import in_two_looks


@require_http_methods(["GET", "HEAD", "POST"])
def correction(request: SignedInRequest, number: int) -> HttpResponse:
    """Let the open orders of older versions of a list follow this one."""
    policy.require(request.user, "write_bench_list")
    version = version_or_404(number)
    if not may_write(request.user, version.bench_list):
        raise NotAllowed(
            f"{version.bench_list} is written by those who teach {version.bench_list.course.code}."
        )
    found = correction_of(version)

    def form_of(data: object = None) -> CorrectionForm:
        now = correction_of(version)
        seen = ",".join(str(order.pk) for order in now.orders)
        return CorrectionForm(data, seen=seen, new=bool(now.missing), gone=bool(now.removed))

    def correct(form: CorrectionForm, *, rehearsal: bool) -> Corrected:
        data = form.cleaned_data
        return apply_correction(
            actor=request.user,
            version=version,
            seen=data["seen"],
            order_new_lines=data.get("order_new_lines", False),
            cancel_removed_lines=data.get("cancel_removed_lines", False),
            idempotency_key=data["key"],
            rehearsal=rehearsal,
        )

    def do(form: CorrectionForm) -> str:
        done = correct(form, rehearsal=False)
        count = len(done.revisions) + len(done.added)
        said = "1 order follows" if count == 1 else f"{count} orders follow"
        messages.success(request, f"{said} the correction, and whoever ordered them is told.")
        return request.path

    return in_two_looks(
        request,
        form_of(request.POST if request.method == "POST" else None),
        "requests_app/correction.html",
        foresee=lambda form: correct(form, rehearsal=True),
        do=do,
        context={
            "version": version,
            "found": found,
            "do": "Let the orders follow",
            "do_class": "button",
            "back": reverse("requests_app:bench_list", args=[version.bench_list_id]),
        },
        anew=form_of,
    )
