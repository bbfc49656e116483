"""Where a signed-in person begins, signing in, what they are told, and the keys they hand to programs."""

from http import HTTPStatus
from typing import Final

from django.conf import settings
from django.contrib import messages
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from prepdesk.access import policy
from prepdesk.accounts.calendar_keys import end_calendar_key, make_calendar_key
from prepdesk.accounts.forms import MailForm, TokenForm
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import CalendarKey
from prepdesk.accounts.notices import choose_mail as set_mail
from prepdesk.accounts.notices import mark_all_read, mark_read, notices_of
from prepdesk.accounts.tokens import issue_token, live_tokens_of, revoke_token
from prepdesk.core.errors import InvalidInput

_FIRST_PAGE = {
    policy.INSTRUCTOR: "requests_app:order_list",
    policy.PREP: "requests_app:queue",
    policy.MANAGER: "reports:use",
}
_NOTICES_A_PAGE: Final = 50


@require_safe
def home(request: SignedInRequest) -> HttpResponse:
    """Take a person to where their day begins."""
    return redirect(_FIRST_PAGE[request.user.role])


class SignInView(LoginView):
    """Signing in; a wrong name or password is answered as an error, not as a success."""

    template_name = "accounts/sign_in.html"
    redirect_authenticated_user = True

    def form_invalid(self, form: AuthenticationForm) -> HttpResponse:
        return self.render_to_response(self.get_context_data(form=form), status=422)


@require_http_methods(["GET", "HEAD", "POST"])
def me(request: SignedInRequest) -> HttpResponse:
    """A person's own page: who they are here, what comes by mail, and their keys for programs.

    A new key is shown in the answer to the very request that made it and is stored nowhere.
    """
    if request.method != "POST":
        return _own_page(request)
    form = TokenForm(request.POST, owner=request.user)
    if not form.is_valid():
        return _own_page(request, status=422, form=form)
    token, key = issue_token(actor=request.user, name=form.cleaned_data["name"])
    return _own_page(request, key=key, token=token)


def _own_page(request: SignedInRequest, *, status: int = 200, **more: object) -> HttpResponse:
    user = request.user
    context = {
        "form": TokenForm(owner=user),
        "mail_form": MailForm(owner=user),
        "mail_is_on": settings.MAIL_IS_ON,
        "tokens": live_tokens_of(user),
        "calendar_key": CalendarKey.objects.filter(owner=user).first(),
        **more,
    }
    # For the list of what needs correcting, and for the title of the page.
    context |= {"forms": [context["mail_form"]], "error_title": status != HTTPStatus.OK}
    return render(request, "accounts/me.html", context, status=status)


@require_POST
def choose_mail(request: SignedInRequest) -> HttpResponse:
    """Keep where a person's mail goes and which notices come by it."""
    form = MailForm(request.POST, owner=request.user)
    if form.is_valid():
        try:
            set_mail(actor=request.user, **form.cleaned_data)
        except InvalidInput as refusal:
            for field, text in refusal.errors.items():
                form.add_error(field, text)
        else:
            messages.success(request, "What you are told, and what comes by mail, is set.")
            return redirect("accounts:me")
    return _own_page(request, status=422, mail_form=form)


@require_POST
def calendar_make(request: SignedInRequest) -> HttpResponse:
    """Give a new calendar address, shown in this very answer and stored nowhere; the old one ends."""
    secret = make_calendar_key(actor=request.user)
    address = request.build_absolute_uri(reverse("requests_app:calendar", args=[secret]))
    return _own_page(request, calendar_address=address)


@require_POST
def calendar_end(request: SignedInRequest) -> HttpResponse:
    """End one's own calendar address at once."""
    end_calendar_key(actor=request.user)
    messages.success(request, "The address is ended. A calendar that still asks for it gets nothing.")
    return redirect("accounts:me")


@require_POST
def end_token(request: SignedInRequest, token_id: int) -> HttpResponse:
    """End one of one's own keys at once."""
    user = request.user
    if not revoke_token(actor=user, token_id=token_id):
        raise Http404
    messages.success(request, "The key is ended. A program that still uses it is refused from now on.")
    return redirect("accounts:me")


# --- notices ----------------------------------------------------------------------------------
@require_safe
def notices(request: SignedInRequest) -> HttpResponse:
    """What a person was told, unread first."""
    policy.require(request.user, "read_own_notices")
    page = Paginator(notices_of(request.user), _NOTICES_A_PAGE).get_page(request.GET.get("page"))
    shown = list(page.object_list)
    context = {
        "page": page,
        "unread": [notice for notice in shown if notice.read_at is None],
        "read": [notice for notice in shown if notice.read_at is not None],
        "newest": max((notice.pk for notice in shown), default=0),
    }
    return render(request, "accounts/notices.html", context)


@require_POST
def notice_read(request: SignedInRequest, notice_id: int) -> HttpResponse:
    """Mark one of one's own notices as read."""
    if mark_read(actor=request.user, notice_id=notice_id) is None:
        raise Http404
    return redirect("accounts:notices")


@require_POST
def notices_read(request: SignedInRequest) -> HttpResponse:
    """Mark as read what the page showed; what came after it stays unread."""
    newest = request.POST.get("newest", "")
    # A number that no key can be is nobody's notice, and some databases can't be asked about it.
    up_to = int(newest) if newest.isascii() and newest.isdigit() and len(newest) < 19 else 0
    done = mark_all_read(actor=request.user, up_to=up_to)
    messages.success(request, f"{done} {'notice is' if done == 1 else 'notices are'} marked as read.")
    return redirect("accounts:notices")
