"""Where a signed-in person begins, signing in, and the keys they hand to programs."""

from django.contrib import messages
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from prepdesk.access import policy
from prepdesk.accounts.forms import TokenForm
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.tokens import issue_token, live_tokens_of, revoke_token

_FIRST_PAGE = {
    policy.INSTRUCTOR: "requests_app:order_list",
    policy.PREP: "requests_app:queue",
    policy.MANAGER: "reports:use",
}


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
    """A person's own page: who they are here, and their keys for programs.

    A new key is shown in the answer to the very request that made it and is stored nowhere.
    """
    user = request.user
    key, status = "", 200
    form = TokenForm(request.POST or None, owner=user)
    if request.method == "POST":
        if form.is_valid():
            token, key = issue_token(actor=user, name=form.cleaned_data["name"])
            form = TokenForm(owner=user)
            context = {"form": form, "tokens": live_tokens_of(user), "key": key, "token": token}
            return render(request, "accounts/me.html", context)
        status = 422
    return render(request, "accounts/me.html", {"form": form, "tokens": live_tokens_of(user)}, status=status)


@require_POST
def end_token(request: SignedInRequest, token_id: int) -> HttpResponse:
    """End one of one's own keys at once."""
    user = request.user
    if not revoke_token(actor=user, token_id=token_id):
        raise Http404
    messages.success(request, "The key is ended. A program that still uses it is refused from now on.")
    return redirect("accounts:me")
