"""The department's rules: a manager sets them, everybody reads them and who changed what."""

from typing import Final

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError
from requests_app.rule_forms import RulesForm
from requests_app.rules import NO_SECOND_LOOK_AT_UNKNOWNS, RULES, SWITCHES
from requests_app.selectors import department_rules, rule_history
from requests_app.services.rules import set_rules

_LINES_A_PAGE: Final = 50


@require_http_methods(["GET", "HEAD", "POST"])
def rules(request: SignedInRequest) -> HttpResponse:
    """What holds in this department, where it acts, and its history."""
    policy.require(request.user, "set_rules" if request.method == "POST" else "see_timetable")
    now = department_rules()
    form, status = RulesForm(rules=now), 200
    if request.method == "POST":
        form, status = RulesForm(request.POST, rules=now), 422
        if form.is_valid():
            try:
                set_rules(
                    actor=request.user,
                    wanted=form.wanted(),
                    expected_version=form.cleaned_data["version"],
                    idempotency_key=form.cleaned_data["idempotency_key"],
                )
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, "The rules are kept. They hold from now on.")
                return redirect("requests_app:rules")
    context = {
        "form": form,
        "may_set": policy.may(request.user, "set_rules"),
        "held": [
            *((rule, rule.shown(getattr(now, name))) for name, rule in RULES.items()),
            *((switch, switch.shown(getattr(now, name))) for name, switch in SWITCHES.items()),
        ],
        "unknowns": NO_SECOND_LOOK_AT_UNKNOWNS,
        "page": Paginator(rule_history(), _LINES_A_PAGE).get_page(request.GET.get("page")),
    }
    return render(request, "requests_app/rules.html", context, status=status)
