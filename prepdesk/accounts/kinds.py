"""The kinds of notices, in one table: what they are called, whom they reach, whether mail is usual."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from prepdesk.access import policy


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of notice.

    Attributes:
        label: as the list of notices names it.
        meaning: when it is sent, for the person who chooses whether it comes by mail.
        roles: who can get one; the choice is offered to them alone.
        by_mail: whether it comes by mail as long as a person has chosen nothing.
        may_be_off: whether a person may do without it; what concerns safety can't be switched off.
    """

    label: str
    meaning: str
    roles: tuple[str, ...] = policy.ROLES
    by_mail: bool = True
    may_be_off: bool = True


RECALL: Final = "recall"
ORDER_WAITS: Final = "order_waits"
ORDER_READY: Final = "order_ready"
ORDER_HANDED_OVER: Final = "order_handed_over"
ORDER_CANCELLED: Final = "order_cancelled"
ORDER_APPROVAL: Final = "order_approval"
ORDER_CHANGED: Final = "order_changed"
MEETING_CHANGED: Final = "meeting_changed"
BATCH_CHANGED: Final = "batch_changed"
COMMENT: Final = "comment"
BATCH_FLAGGED: Final = "batch_flagged"
SECOND_LOOK: Final = "second_look"
BATCH_PASSED: Final = "batch_passed"
APPARATUS_LOST: Final = "apparatus_lost"
KEY_LENT: Final = "key_lent"
TERM_ORDERED: Final = "term_ordered"

_ORDERING: Final = (policy.INSTRUCTOR, policy.MANAGER)

KINDS: Final[dict[str, Kind]] = {
    RECALL: Kind(
        "Recall",
        "A bottle is recalled that went into something you ordered, made or keep.",
        may_be_off=False,
    ),
    ORDER_WAITS: Kind("Order waits", "An order of yours can't be made with what is on the shelf.", _ORDERING),
    ORDER_READY: Kind("Order ready", "An order of yours is made and stands ready.", _ORDERING),
    ORDER_HANDED_OVER: Kind("Order handed over", "An order of yours left the stockroom.", _ORDERING, False),
    ORDER_CANCELLED: Kind("Order cancelled", "Somebody else cancelled an order of yours.", _ORDERING),
    ORDER_APPROVAL: Kind(
        "Approval",
        "An order waits for a manager's approval, or one of yours was approved or declined.",
        _ORDERING,
    ),
    ORDER_CHANGED: Kind("Order changed", "Somebody else changed an order of yours.", _ORDERING),
    MEETING_CHANGED: Kind(
        "Meeting changed",
        "A meeting that you teach or ordered for is moved, cancelled, or has more or fewer groups.",
        _ORDERING,
    ),
    BATCH_CHANGED: Kind(
        "Batch changed", "What you make is wanted otherwise, or not any more.", (policy.PREP, policy.MANAGER)
    ),
    BATCH_PASSED: Kind(
        "Batch passed on",
        "A colleague hands you a batch, or takes over one that you had.",
        (policy.PREP, policy.MANAGER),
    ),
    COMMENT: Kind("Comment", "Somebody says something about an order that concerns you."),
    BATCH_FLAGGED: Kind(
        "Batch flagged",
        "A batch you make or ordered needs a decision: a recalled bottle in it, or a result outside its "
        "tolerance.",
    ),
    SECOND_LOOK: Kind(
        "Second look",
        "Readings wait for a second person, or yours were signed or sent back.",
        (policy.PREP, policy.MANAGER),
        by_mail=False,
    ),
    APPARATUS_LOST: Kind(
        "Apparatus lost",
        "Apparatus that you booked, or that a batch you make was planned with, is out of service, past its "
        "calibration or fewer than before.",
    ),
    KEY_LENT: Kind(
        "Key of unknowns", "You may read the key of coded samples, or a manager named a reader of yours."
    ),
    TERM_ORDERED: Kind("Term ordered", "The weeks of a term you had ordered at once are done.", _ORDERING),
}


def kinds_for(role: str) -> Iterable[tuple[str, Kind]]:
    """The kinds a person of this role can get, in the order of the table."""
    return ((name, kind) for name, kind in KINDS.items() if role in kind.roles)
