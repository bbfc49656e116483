"""Who may do what: the one table of roles and actions.

Services call :func:`require`; pages ask :func:`may` to draw or leave out a button. Which *objects* a
person sees is the business of the ``…_visible_to(actor)`` selectors; this table is about actions.
"""

from typing import Final, Literal, Protocol

from prepdesk.core.errors import NotAllowed

Role = Literal["instructor", "prep", "manager"]

INSTRUCTOR: Final = "instructor"
PREP: Final = "prep"
MANAGER: Final = "manager"
ROLES: Final[tuple[Role, ...]] = (INSTRUCTOR, PREP, MANAGER)

_EVERYONE: Final = frozenset(ROLES)
_STOCKROOM: Final = frozenset({PREP, MANAGER})

ACTIONS: Final[dict[str, frozenset[str]]] = {
    # The calculation alone touches nothing, so anybody signed in may ask it.
    "preview_preparation": _EVERYONE,
    "submit_order": frozenset({INSTRUCTOR, MANAGER}),
    "cancel_order": frozenset({INSTRUCTOR, MANAGER}),
    "see_own_orders": _EVERYONE,
    "see_every_order": _STOCKROOM,
    "replan_order": _STOCKROOM,
    # What an order is made from: the one who ordered it, or the stockroom.
    "choose_source": _EVERYONE,
    "see_queue": _STOCKROOM,
    "work_batch": _STOCKROOM,
    "hand_over_batch": _STOCKROOM,
    # The second person; that it is not the maker is for the service to ask.
    "check_batch": _STOCKROOM,
    # Bottles for the sections: poured, on the cart, delivered, taken back.
    "pour_portions": _STOCKROOM,
    "deliver_portion": _STOCKROOM,
    "take_back_portion": _STOCKROOM,
    "see_stock": _EVERYONE,
    "see_ledger": _STOCKROOM,
    # Terms, rooms, courses, sections and who teaches them.
    "manage_teaching": frozenset({MANAGER}),
    "see_timetable": _EVERYONE,
    # A meeting of one's own section: moved, resized, cancelled.
    "change_meeting": frozenset({INSTRUCTOR, MANAGER}),
    "see_bench_lists": _EVERYONE,
    "write_bench_list": frozenset({INSTRUCTOR, MANAGER}),
    # Which experiment in which week, and the whole term ordered at once.
    "plan_term": frozenset({INSTRUCTOR, MANAGER}),
    "change_order": frozenset({INSTRUCTOR, MANAGER}),
    "comment_order": _EVERYONE,
    "approve_order": frozenset({MANAGER}),
    # Put orders together in one batch, or take one out again.
    "arrange_batches": _STOCKROOM,
    "order_unknowns": frozenset({INSTRUCTOR, MANAGER}),
    "set_rules": frozenset({MANAGER}),
    "read_own_calendar": _EVERYONE,
    # An order holds what it needs the moment it is sent, and lets go of it when it is cancelled.
    "hold_stock": _EVERYONE,
    "receive_lot": _STOCKROOM,
    "correct_stock": _STOCKROOM,
    "change_lot_state": _STOCKROOM,
    "manage_apparatus": _STOCKROOM,
    "import_stock": _STOCKROOM,
    "export_stock": _STOCKROOM,
    # An order books the glass it is made in, and a class the hot plates it works with.
    "book_apparatus": _EVERYONE,
    "see_review": frozenset({MANAGER}),
    "manage_own_tokens": _EVERYONE,
    "read_own_notices": _EVERYONE,
}


class Actor(Protocol):
    """Anything with a role that can be held responsible."""

    pk: int
    role: str
    is_active: bool


def may(actor: Actor, action: str) -> bool:
    """Say whether ``actor`` may do ``action``; an unknown action is a programming error."""
    return bool(actor.is_active) and getattr(actor, "role", "") in ACTIONS[action]


def require(actor: Actor, action: str) -> None:
    """Refuse unless ``actor`` may do ``action``.

    Raises:
        NotAllowed: with a sentence that names who may.
    """
    if not may(actor, action):
        who = " or ".join(role for role in ROLES if role in ACTIONS[action])
        raise NotAllowed(f"This is for: {who}. Ask one of them, or sign in as one.")
