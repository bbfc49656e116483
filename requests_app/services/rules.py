"""Setting the department's rules, with the history of every figure and switch."""

from collections.abc import Mapping
from decimal import Decimal

from inventory.services import atomic_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput
from requests_app.models import DepartmentRules, RuleEvent
from requests_app.rules import OFF, ON, RULES, SWITCHES, shown


def check_rules(wanted: Mapping[str, str]) -> dict[str, bool | int | str | None]:
    """Read typed figures of rules, and switches, as what the row keeps.

    Args:
        wanted: as typed, by the names of :data:`requests_app.rules.RULES`, and ``on`` or ``off`` by those of
            :data:`requests_app.rules.SWITCHES`; some or all.

    Raises:
        InvalidInput: by rule, for what is no figure or lies outside what the rule may be.
    """
    values: dict[str, bool | int | str | None] = {}
    errors = {name: "There is no such rule." for name in wanted if name not in RULES and name not in SWITCHES}
    for name, text in wanted.items():
        if name in errors:
            continue
        if name in SWITCHES:
            if text not in (ON, OFF):
                errors[name] = f"This rule is {ON} or {OFF}."
            values[name] = text == ON
            continue
        number, problem = _read(name, text.strip())
        if problem:
            errors[name] = problem
        elif RULES[name].is_whole:
            values[name] = None if number is None else int(number)
        else:
            values[name] = text.strip()
    if errors:
        raise InvalidInput(errors)
    return values


def _read(name: str, text: str) -> tuple[Decimal | None, str]:
    if not text:
        return None, RULES[name].problem(None)
    try:
        number = parse_number(text).value
    except InputError as error:
        return None, error.text
    return number, RULES[name].problem(number)


@atomic_with_retries
def set_rules(
    *, actor: User, wanted: Mapping[str, str], expected_version: int, idempotency_key: str
) -> DepartmentRules:
    """Change rules of the department; what was and what is stands in the history, a line for each.

    Sending the same form again changes nothing more.

    Args:
        wanted: as :func:`check_rules` reads it; a rule left out stays.
        expected_version: of the rules the form showed.

    Raises:
        NotAllowed: the role may not.
        InvalidInput: by rule.
        Conflict: somebody changed them since the form was opened.
    """
    policy.require(actor, "set_rules")
    values = check_rules(wanted)
    DepartmentRules.objects.get_or_create(pk=1)
    rules = DepartmentRules.objects.select_for_update().get(pk=1)
    keys = {name: f"{idempotency_key}-{name}" for name in (*RULES, *SWITCHES)}
    if RuleEvent.objects.filter(idempotency_key__in=keys.values()).exists():
        return rules
    changed = [
        name for name, value in values.items() if shown(name, getattr(rules, name)) != shown(name, value)
    ]
    if not changed:
        return rules
    if rules.version != expected_version:
        raise Conflict(
            "The rules were changed since you opened this page. Look at what holds now, and change it again."
        )
    for name in changed:
        before, after = shown(name, getattr(rules, name)), shown(name, values[name])
        setattr(rules, name, values[name])
        label = (RULES.get(name) or SWITCHES[name]).label
        RuleEvent.objects.create(actor=actor, note=f"{label}: {before} → {after}", idempotency_key=keys[name])
    rules.version += 1
    rules.save()
    return rules
