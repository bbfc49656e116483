"""What every page knows: the places a person may go."""

from django.http import HttpRequest

from prepdesk.access import policy

# (label, route, action of the policy table)
_PLACES = (
    ("Orders", "requests_app:order_list", "see_own_orders"),
    ("Queue", "requests_app:queue", "see_queue"),
    ("Stock", "inventory:stock", "see_stock"),
    ("Review", "reports:use", "see_review"),
)


def navigation(request: HttpRequest) -> dict[str, object]:
    """The entries of the main menu for the person signed in."""
    user = request.user
    if not user.is_authenticated:
        return {"places": ()}
    return {"places": [(label, route) for label, route, action in _PLACES if policy.may(user, action)]}
