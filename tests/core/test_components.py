"""Fields, error summary, quantities, states, the base page and the pages for when something fails."""

import re

import pytest
from django import forms
from django.forms import formset_factory
from django.template import engines
from django.test import RequestFactory
from django.urls import reverse
from django.utils.safestring import mark_safe

from prepdesk.core.forms import TypedNumberField


class Sample(forms.Form):
    substance = forms.ChoiceField(choices=[("", "Choose"), ("nacl", "sodium chloride")])
    target = TypedNumberField(unit="mol/L", help_text="As many digits as you mean.")
    note = forms.CharField(required=False, widget=forms.Textarea)
    kind = forms.ChoiceField(choices=[("solid", "Solid"), ("liquid", "Liquid")], widget=forms.RadioSelect)
    read = forms.BooleanField(label="I have read the safety data sheet")
    hidden = forms.CharField(widget=forms.HiddenInput, required=False)


def draw(source, **context):
    return engines["django"].from_string("{% load prepdesk %}" + source).render(context)


def fields_of(form):
    return "".join(field.as_field_group() for field in form if not field.is_hidden)


def test_every_field_has_a_label_that_belongs_to_it():
    html = fields_of(Sample())
    for name in ("substance", "target", "note", "read"):
        assert re.search(rf'<label[^>]* for="id_{name}"', html), name
    assert re.search(r"<fieldset[^>]*>\s*<legend", html)


def test_a_number_is_a_text_field_with_its_unit_beside_it():
    html = Sample()["target"].as_field_group()
    assert 'type="text"' in html
    assert 'inputmode="decimal"' in html
    assert '<span class="field-unit" id="id_target_unit">mol/L</span>' in html


def test_an_optional_field_says_so_and_a_needed_one_does_not():
    assert "(optional)" in Sample()["note"].as_field_group()
    assert "(optional)" not in Sample()["target"].as_field_group()


def test_an_error_is_tied_to_its_field_and_what_was_typed_comes_back():
    form = Sample({"target": "2,4,0"})
    html = form["target"].as_field_group()
    assert 'aria-invalid="true"' in html
    assert 'aria-describedby="id_target_helptext id_target_error"' in html
    assert 'id="id_target_error"' in html
    assert 'value="2,4,0"' in html


def test_the_summary_has_one_link_per_error_in_the_words_beside_the_field():
    form = Sample({"target": "abc"})
    html = draw('{% include "core/_error_summary.html" %}', form=form)
    links = re.findall(r'<a href="#([^"]+)">([^<]+)</a>', html)
    assert [target for target, _ in links] == ["id_substance", "id_target", "id_kind_0", "id_read"]
    beside = fields_of(form)
    for target, text in links:
        assert f'id="{target}"' in beside
        assert text in beside
    assert dict(links)["id_read"] == "“I have read the safety data sheet” is empty: tick it."


def test_the_summary_names_errors_of_every_form_of_a_set():
    forms_ = formset_factory(Sample, extra=0)(
        {"form-TOTAL_FORMS": "2", "form-INITIAL_FORMS": "2", "form-0-target": "x", "form-1-target": "y"}
    )
    html = draw('{% include "core/_error_summary.html" %}', formset=forms_)
    assert 'href="#id_form-0-target"' in html
    assert 'href="#id_form-1-target"' in html


@pytest.mark.parametrize("context", [{}, {"form": Sample()}, {"form": ""}])
def test_no_error_no_summary(context):
    assert "error-summary" not in draw('{% include "core/_error_summary.html" %}', **context)


def test_a_quantity_shows_value_unit_and_window_in_words():
    text = re.sub(r"<[^>]+>", "", draw('{% quantity "58.50" "g" low="58.39" high="58.61" %}'))
    assert text == "58.50 g (58.39 to 58.61 g)"
    plan = {
        "quantity": {"value": "2.40", "unit": "mL"},
        "window": {"low": "2.3", "high": "2.5", "unit": "mL"},
    }
    text = re.sub(r"<[^>]+>", "", draw("{% quantity step.quantity window=step.window %}", step=plan))
    assert text == "2.40 mL (2.3 to 2.5 mL)"


def test_a_state_is_a_word_with_a_shape_that_is_not_read_twice():
    html = draw('{% state "order" "in_work" "Being made" %}')
    assert "Being made" in html
    assert 'aria-hidden="true"' in html
    assert "<path" in html
    assert "Waiting" in draw('{% state "order" "waiting" %}')


def test_the_title_begins_with_error_when_a_form_was_refused():
    request = RequestFactory().get("/")
    source = '{% extends "base.html" %}{% block title %}Orders{% endblock %}'
    good = engines["django"].from_string(source).render({"form": Sample()})
    bad = engines["django"].from_string(source).render({"form": Sample({})})
    assert "<title>Orders – Prepdesk</title>" in good
    assert "<title>Error: Orders – Prepdesk</title>" in bad
    assert request.path == "/"


@pytest.mark.django_db
def test_pages_carry_no_inline_script_or_style(client):
    html = client.get(reverse("accounts:sign_in")).content.decode()
    assert "<style" not in html
    assert not re.search(r"\sstyle=", html)
    assert not re.search(r"\son[a-z]+=", html)
    assert all(re.search(r'\bsrc="', tag) for tag in re.findall(r"<script[^>]*>", html))


@pytest.mark.django_db
def test_htmx_may_not_evaluate_code_and_swaps_refusals(client):
    html = client.get(reverse("accounts:sign_in")).content.decode()
    config = re.search(r"name=\"htmx-config\" content='([^']+)'", html)[1]
    assert '"allowEval":false' in config
    assert '"includeIndicatorStyles":false' in config
    assert '{"code":"409|422","swap":true' in config
    assert "htmx-2" in html


@pytest.mark.django_db
def test_help_stands_on_every_page_at_the_same_place(client, prep, settings):
    settings.HELP_CONTACT = "Room 12, call 1234"
    pages = [client.get(reverse("accounts:sign_in")), client.get("/nothing-here/")]
    client.force_login(prep)
    pages += [client.get(reverse("accounts:me")), client.get("/nothing-here/")]
    for page in pages:
        footer = page.content.decode().split("<footer")[1]
        assert "Room 12, call 1234" in footer


@pytest.mark.django_db
def test_a_missing_page_is_a_page(client, prep):
    client.force_login(prep)
    answer = client.get("/nothing-here/")
    assert answer.status_code == 404
    assert "Nothing here" in answer.content.decode()


def test_the_page_for_a_failed_server_asks_no_database(rf):
    # No database mark on this test: any query fails it.
    from prepdesk.core.views import server_error

    answer = server_error(rf.get("/orders/"))
    assert answer.status_code == 500
    assert "The server failed" in answer.content.decode()
    assert server_error(rf.get("/api/v1/x/"))["Content-Type"] == "application/json"


@pytest.mark.django_db
def test_a_stale_form_is_told_what_to_do():
    from django.test import Client

    answer = Client(enforce_csrf_checks=True).post(reverse("accounts:sign_in"), {"username": "x"})
    assert answer.status_code == 403
    assert "Send it once more" in answer.content.decode()


def test_what_is_kept_drawn_is_escaped_for_whoever_says_it():
    assert "<b>" not in draw("{% state 'x' 'y' word %}", word=mark_safe("<b>"))
    assert "<b>" not in draw("{% state 'x' 'y' word %}", word="<b>")
    assert "<b>" not in draw("{% quantity word 'g' %}", word=mark_safe("<b>"))
