"""The planner: from what is wanted, the shelf and the apparatus to a whole preparation."""

from prepdesk.calc.planner.instead import what_would_serve
from prepdesk.calc.planner.plan import make_plan

__all__ = ["make_plan", "what_would_serve"]
