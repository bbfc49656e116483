"""What every page knows: the places a person may go, and how many notices wait."""

from django.conf import settings
from django.http import HttpRequest

from prepdesk.access import policy
from prepdesk.accounts.notices import unread_count

_NOTICES = "accounts:notices"
# (label, route, action of the policy table)
_PLACES = (
    ("Orders", "requests_app:order_list", "see_own_orders"),
    ("Teaching", "requests_app:week", "see_timetable"),
    ("Queue", "requests_app:queue", "see_queue"),
    ("Stock", "inventory:stock", "see_stock"),
    ("Review", "reports:use", "see_review"),
    ("Notices", _NOTICES, "read_own_notices"),
)
# The pages of the stockroom, the same row on each of them, so that nobody looks for the way to the next.
_STOCKROOM = (
    ("Stock list", "inventory:stock", "see_stock"),
    ("Apparatus", "inventory:apparatus", "see_stock"),
    ("Places", "inventory:places", "receive_lot"),
    ("Counts", "inventory:counts", "correct_stock"),
    ("Waste streams", "inventory:waste", "receive_lot"),
    ("Files", "inventory:files", "export_stock"),
)
# The pages of teaching, the same row on each of them: what is taught, with what, when and where.
_TEACHING: tuple[tuple[str, str, str], ...] = (
    ("Week", "requests_app:week", "see_timetable"),
    ("Timetable", "requests_app:timetable", "see_timetable"),
    ("Plan", "requests_app:term_plan", "see_timetable"),
    ("Together", "requests_app:together", "arrange_batches"),
    ("Bench lists", "requests_app:bench_lists", "see_bench_lists"),
    ("Unknowns", "requests_app:unknowns", "see_own_orders"),
    ("Rules", "requests_app:rules", "see_timetable"),
)
# The pages of the work of the day: what is made, what goes out, what hangs on the wall.
_WORK: tuple[tuple[str, str, str], ...] = (
    ("Queue", "requests_app:queue", "see_queue"),
    ("Cart", "requests_app:cart", "deliver_portion"),
    ("Wall", "requests_app:wall", "see_queue"),
)


def navigation(request: HttpRequest) -> dict[str, object]:
    """The entries of the main menu for the person signed in, and whom to ask for help."""
    user = request.user
    if not user.is_authenticated:
        return {
            "places": [],
            "stockroom": [],
            "teaching": [],
            "work": [],
            "help_contact": settings.HELP_CONTACT,
        }
    unread = unread_count(user)
    places = [
        (f"{label} ({unread})" if route == _NOTICES and unread else label, route)
        for label, route, action in _PLACES
        if policy.may(user, action)
    ]
    stockroom = [(label, route) for label, route, action in _STOCKROOM if policy.may(user, action)]
    teaching = [(label, route) for label, route, action in _TEACHING if policy.may(user, action)]
    work = [(label, route) for label, route, action in _WORK if policy.may(user, action)]
    return {
        "places": places,
        "stockroom": stockroom,
        "teaching": teaching,
        "work": work,
        "help_contact": settings.HELP_CONTACT,
    }
