"""The department's rules: read by everybody, set by a manager, each change kept with what was and what is."""

import re

import pytest
from django.urls import reverse

from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed
from requests_app.models import DepartmentRules, RuleEvent
from requests_app.rules import RULES, SWITCHES
from requests_app.selectors import department_rules
from requests_app.services.rules import set_rules

pytestmark = pytest.mark.django_db


def typed(**changes):
    now = department_rules()
    return {
        **{name: "" if (value := getattr(now, name)) is None else str(value) for name in RULES},
        **changes,
    }


@pytest.fixture
def change(manager):
    def change(key="one", version=None, actor=manager, **wanted):
        return set_rules(
            actor=actor,
            wanted=wanted,
            expected_version=department_rules().version if version is None else version,
            idempotency_key=key,
        )

    return change


def test_without_a_row_the_usual_rules_hold_and_reading_writes_none(django_assert_num_queries):
    with django_assert_num_queries(1):
        rules = department_rules()
    assert (rules.notice_days, rules.overage_percent, rules.large_draw_percent, rules.hands) == (
        2,
        "10",
        50,
        1,
    )
    assert not DepartmentRules.objects.exists()


def test_a_change_is_kept_with_who_and_from_what_to_what(change, manager):
    change(notice_days="3", overage_percent="12.50", spare_groups="0")
    rules = department_rules()
    assert (rules.notice_days, rules.overage_percent, rules.version) == (3, "12.50", 2)
    assert list(RuleEvent.objects.values_list("actor", "note")) == [
        (manager.pk, "Notice: 2 working days → 3 working days"),
        (manager.pk, "Extra: 10 % → 12.5 %"),
    ], "what stayed as it was is no change"


def test_the_same_form_sent_twice_changes_once(change):
    change(key="form", notice_days="3")
    change(key="other", notice_days="5")
    change(key="form", version=1, notice_days="3")
    assert department_rules().notice_days == 5
    assert RuleEvent.objects.count() == 2


def test_a_page_opened_before_another_change_is_told(change):
    change(key="first", notice_days="3")
    with pytest.raises(Conflict):
        change(key="second", version=1, minutes_before="45")
    assert department_rules().minutes_before == 30


@pytest.mark.parametrize(
    ("rule", "text"),
    [
        ("notice_days", "-1"),
        ("notice_days", "1.5"),
        ("notice_days", ""),
        ("overage_percent", "101"),
        ("overage_percent", "ten"),
        ("large_draw_percent", "0"),
        ("hands", "0"),
        ("per_section_ml", "1e9"),
        ("together_days", "-3"),
        ("no_such_rule", "1"),
    ],
)
def test_a_figure_that_cannot_be_is_refused_by_its_rule(change, rule, text):
    with pytest.raises(InvalidInput) as refused:
        change(**{rule: text})
    assert list(refused.value.errors) == [rule]
    assert not RuleEvent.objects.exists()


def test_the_days_made_together_may_be_left_to_the_shelf_life(change):
    change(key="a", together_days="3")
    assert department_rules().together_days == 3
    change(key="b", together_days="")
    assert department_rules().together_days is None
    assert "→ as long as the solution keeps" in RuleEvent.objects.latest("pk").note


@pytest.mark.parametrize("who", ["instructor", "prep"])
def test_only_a_manager_sets_them(change, request, who):
    with pytest.raises(NotAllowed):
        change(actor=request.getfixturevalue(who), notice_days="3")


def test_everybody_reads_what_holds_and_its_history(client, change, instructor, manager):
    change(notice_days="1")
    client.force_login(instructor)
    page = re.sub(r"\s+", " ", client.get(reverse("requests_app:rules")).content.decode())
    assert "1 working day<" in page
    assert "Notice: 2 working days → 1 working day" in page
    assert str(manager) in page
    assert "Keep these rules" not in page


def test_the_managers_form_keeps_what_was_typed_and_names_every_mistake(client, manager):
    client.force_login(manager)
    answer = client.post(
        reverse("requests_app:rules"),
        {
            **typed(notice_days="soon", hands="0", overage_percent="15,5"),
            "version": "1",
            "idempotency_key": "k",
        },
    )
    assert answer.status_code == 422
    page = answer.content.decode()
    assert 'value="soon"' in page
    assert 'value="15,5"' in page
    assert page.count('href="#id_notice_days"') == page.count('href="#id_hands"') == 1
    answer = client.post(
        reverse("requests_app:rules"), {**typed(overage_percent="15"), "version": "1", "idempotency_key": "k"}
    )
    assert answer.status_code == 302
    assert department_rules().overage_percent == "15"


# --- switches ------------------------------------------------------------------------------------
def test_everything_that_is_switched_is_off_to_begin_with():
    assert not any(getattr(department_rules(), name) for name in SWITCHES)


def test_a_switch_is_kept_with_who_and_from_what_to_what(change, manager):
    change(scan_bottles="on", check_standards="off")
    assert department_rules().scan_bottles is True
    assert list(RuleEvent.objects.values_list("actor", "note")) == [
        (manager.pk, "Every bottle is scanned before it is opened: off → on")
    ], "what stayed as it was is no change"
    change(key="again", scan_bottles="off")
    assert RuleEvent.objects.latest("pk").note.endswith(": on → off")


def test_a_switch_sent_twice_changes_once_and_an_older_page_is_told(change):
    change(key="form", check_restricted="on")
    change(key="other", check_restricted="off")
    change(key="form", version=1, check_restricted="on")
    assert not department_rules().check_restricted
    with pytest.raises(Conflict):
        change(key="third", version=1, check_standards="on")
    assert not department_rules().check_standards


def test_a_switch_is_on_or_off(change):
    with pytest.raises(InvalidInput) as refused:
        change(check_restricted="perhaps")
    assert list(refused.value.errors) == ["check_restricted"]


def test_the_managers_form_switches_with_boxes_that_say_where_they_act(client, manager):
    client.force_login(manager)
    address = reverse("requests_app:rules")
    page = client.get(address).content.decode()
    assert all(switch.label in page for switch in SWITCHES.values())
    assert "A coded sample is never put before a second person" in page
    sent = {**typed(), "version": "1", "idempotency_key": "k", "check_restricted": "on"}
    assert client.post(address, sent).status_code == 302
    assert [name for name in SWITCHES if getattr(department_rules(), name)] == ["check_restricted"]
    page = client.get(address).content.decode()
    assert re.search(r'<input type="checkbox" name="check_restricted"[^>]*checked', page)


def test_everybody_reads_which_switches_are_on(client, change, prep):
    change(check_strong_acids="on")
    client.force_login(prep)
    page = re.sub(r"\s+", " ", client.get(reverse("requests_app:rules")).content.decode())
    assert page.count('<td class="unbroken">on</td>') == 1
    assert page.count('<td class="unbroken">off</td>') == len(SWITCHES) - 1
