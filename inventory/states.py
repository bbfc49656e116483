"""The life of a lot and of a hold, as tables. No framework here: pages, services and docs read these."""

from typing import Final

AVAILABLE: Final = "available"
QUARANTINED: Final = "quarantined"
RECALLED: Final = "recalled"
EMPTY: Final = "empty"

LOT_STATES: Final = {
    AVAILABLE: "Available",
    QUARANTINED: "Quarantined",
    RECALLED: "Recalled",
    EMPTY: "Empty",
}
LOT_NEXT: Final[dict[tuple[str, str], str]] = {
    (AVAILABLE, "quarantine"): QUARANTINED,
    (QUARANTINED, "release"): AVAILABLE,
    (AVAILABLE, "recall"): RECALLED,
    (QUARANTINED, "recall"): RECALLED,
    (AVAILABLE, "mark_empty"): EMPTY,
    (QUARANTINED, "mark_empty"): EMPTY,
    (RECALLED, "mark_empty"): EMPTY,
    # Not straight back to available: it may have been quarantined or recalled before it was emptied.
    (EMPTY, "reopen"): QUARANTINED,
}
# What the buttons say, and which of these moves ask for a reason.
LOT_EVENTS: Final = {
    "quarantine": "Quarantine",
    "release": "Release from quarantine",
    "recall": "Recall",
    "mark_empty": "Mark as empty",
    "reopen": "Reopen",
}
LOT_EVENTS_WITH_REASON: Final = frozenset({"quarantine", "release", "recall", "reopen"})
# Facts about a lot that are written beside its moves and leave its state as it is.
LOT_NOTES: Final = {
    "open": "Opened",
    "count": "Counted, no difference",
    "label": "Label corrected",
    "move": "Put elsewhere",
}

ACTIVE: Final = "active"
DRAWN: Final = "drawn"
RELEASED: Final = "released"
HOLD_STATES: Final = {ACTIVE: "Held", DRAWN: "Drawn", RELEASED: "Released"}
HOLD_NEXT: Final[dict[tuple[str, str], str]] = {
    (ACTIVE, "draw"): DRAWN,
    (ACTIVE, "release"): RELEASED,
}

# A file that is brought in: read and checked, looked at, then brought in as a whole or not at all.
READING: Final = "reading"
CHECKED: Final = "checked"
REFUSED: Final = "refused"
IMPORTING: Final = "importing"
DONE: Final = "done"
FAILED: Final = "failed"
DROPPED: Final = "dropped"
IMPORT_STATES: Final = {
    READING: "Being checked",
    CHECKED: "To be confirmed",
    REFUSED: "Nothing can be brought in",
    IMPORTING: "Being brought in",
    DONE: "Brought in",
    FAILED: "Failed, nothing changed",
    DROPPED: "Dropped",
}
IMPORT_NEXT: Final[dict[tuple[str, str], str]] = {
    (READING, "find_good"): CHECKED,
    (READING, "find_none"): REFUSED,
    (READING, "fail"): FAILED,
    (READING, "drop"): DROPPED,
    (CHECKED, "confirm"): IMPORTING,
    (CHECKED, "drop"): DROPPED,
    (CHECKED, "check_again"): READING,
    (REFUSED, "check_again"): READING,
    (REFUSED, "drop"): DROPPED,
    (IMPORTING, "finish"): DONE,
    # The stock changed between looking and confirming: what is found now is shown instead.
    (IMPORTING, "find_changed"): CHECKED,
    (IMPORTING, "find_none"): REFUSED,
    (IMPORTING, "fail"): FAILED,
    (FAILED, "check_again"): READING,
    (FAILED, "drop"): DROPPED,
}
