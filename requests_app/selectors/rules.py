"""Reading the department's rules and who changed them."""

from django.db.models import QuerySet

from requests_app.models import DepartmentRules, RuleEvent


def department_rules() -> DepartmentRules:
    """The rules that hold now; where nobody has set any, the usual ones, and nothing is written."""
    return DepartmentRules.objects.filter(pk=1).first() or DepartmentRules(pk=1)


def rule_history() -> QuerySet[RuleEvent]:
    """Who changed which rule from what to what, the newest first."""
    return RuleEvent.objects.select_related("actor").order_by("-id")
