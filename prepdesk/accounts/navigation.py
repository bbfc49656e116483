"""What every page knows: the places a person may go."""

from django.conf import settings
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
    """The entries of the main menu for the person signed in, and whom to ask for help."""
    user = request.user
    places = (
        [(label, route) for label, route, action in _PLACES if policy.may(user, action)]
        if user.is_authenticated
        else []
    )
    return {"places": places, "help_contact": settings.HELP_CONTACT}
