"""A change in two looks: what it would do in words, then the button that does it. Nothing is kept between."""

from collections.abc import Callable
from typing import Any

from django.http import HttpResponse
from django.shortcuts import redirect, render

from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError, InvalidInput


def in_two_looks(
    request: SignedInRequest,
    form: Any,
    template: str,
    *,
    foresee: Callable[[Any], Any],
    do: Callable[[Any], str],
    context: dict[str, Any],
    anew: Callable[[], Any],
) -> HttpResponse:
    """First the fields, then what the change would do (``step=look``), then the change (``step=do``).

    Args:
        form: bound to the post, if there is one.
        template: draws ``form``, and ``foreseen`` where it is asked to confirm.
        foresee: what a valid form would do; saves nothing.
        do: does it and answers with the address to go to.
        context: for the template.
        anew: an unbound form as things stand now; its hidden fields replace those of a page that is too old.
    """
    step = request.POST.get("step", "look") if request.method == "POST" else ""
    page = {"form": form, "foreseen": None, "refusal": None, "address": request.path, **context}
    if not step:
        return render(request, template, page)
    if step == "edit":
        form.is_valid()
        # Nobody has asked for a judgement yet: they came back to type something else.
        page["form"] = _unjudged(form, anew())
        return render(request, template, page)
    status = 200
    if not form.is_valid():
        return render(request, template, page, status=422)
    try:
        if step == "do":
            return redirect(do(form))
        page["foreseen"] = foresee(form)
    except InvalidInput as invalid:
        _show(form, invalid.errors)
        status = 422
    except DomainError as refusal:
        # Somebody was faster: what was typed stands there still, and goes on from how things stand now.
        page["refusal"] = refusal
        page["form"] = _unjudged(form, anew())
        status = refusal.status
    return render(request, template, page, status=status)


def _show(form: Any, errors: dict[str, str]) -> None:
    if hasattr(form, "show"):
        form.show(errors)
        return
    for field, text in errors.items():
        form.add_error(field if field in form.fields else None, text)


def _unjudged(form: Any, fresh: Any) -> Any:
    """The typed values in a form without errors, with the hidden guards of now."""
    hidden = {field.name for field in fresh.hidden_fields()}
    for name in fresh.fields:
        if name not in hidden and name in form.data:
            many = hasattr(form.data, "getlist") and name == "meetings"
            fresh.initial[name] = form.data.getlist(name) if many else form.data[name]
    return fresh
