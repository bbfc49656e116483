"""The form of the department's rules: a figure for each, as typed, and what is switched on."""

from typing import Any

from django import forms

from inventory.forms.base import CheckedForm, NumberText
from requests_app.models import DepartmentRules
from requests_app.rules import OFF, ON, RULES, SWITCHES
from requests_app.services.rules import check_rules


class RulesForm(CheckedForm):
    """Every rule with its unit, and where it acts as the hint."""

    version = forms.IntegerField(widget=forms.HiddenInput, min_value=0, max_value=2**31 - 1)

    def __init__(self, *args: Any, rules: DepartmentRules, **kwargs: Any) -> None:
        now = {name: getattr(rules, name) for name in (*RULES, *SWITCHES)}
        kwargs.setdefault("initial", {"version": rules.version, **now})
        super().__init__(*args, **kwargs)
        for name, rule in RULES.items():
            empty = f" Left empty: {rule.empty}." if rule.empty else ""
            self.fields[name] = NumberText(label=rule.label, unit=rule.unit, help_text=f"{rule.acts}{empty}")
            # What is empty is refused by the rule itself, in its own words.
            self.fields[name].may_be_needed = not rule.empty  # type: ignore[attr-defined]  # read by the field's template

        for name, switch in SWITCHES.items():
            self.fields[name] = forms.BooleanField(label=switch.label, help_text=switch.acts, required=False)

    @property
    def rule_fields(self) -> list[forms.BoundField]:
        """The fields of the rules, in the order of their table."""
        return [self[name] for name in RULES]

    @property
    def switch_fields(self) -> list[forms.BoundField]:
        """The switches, in the order of their table."""
        return [self[name] for name in SWITCHES]

    def wanted(self) -> dict[str, str]:
        """The figures as typed, and each switch as on or off."""
        switched = {name: ON if self.cleaned_data.get(name) else OFF for name in SWITCHES}
        return {name: self.cleaned_data.get(name, "") for name in RULES} | switched

    def ask_service(self, data: dict[str, Any]) -> object:
        """Every figure that can't be, named beside its field."""
        return check_rules({name: data[name] for name in RULES if name in data})
