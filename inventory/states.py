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
    # A maker recalls what is used up as well, and what a later count finds in it stays recalled.
    (EMPTY, "recall"): RECALLED,
    # A recall made in error is taken back in two steps, so that one press frees nothing.
    (RECALLED, "quarantine"): QUARANTINED,
    (AVAILABLE, "mark_empty"): EMPTY,
    (QUARANTINED, "mark_empty"): EMPTY,
    (RECALLED, "mark_empty"): EMPTY,
    # Not straight back to available: it may have been quarantined or recalled before it was emptied.
    (EMPTY, "reopen"): QUARANTINED,
}
# Nothing leaves a bottle in one of these, whoever it was promised to.
STOPPED: Final = (QUARANTINED, RECALLED)
# What the buttons say, and which of these moves ask for a reason.
LOT_EVENTS: Final = {
    "quarantine": "Quarantine",
    "release": "Release from quarantine",
    "recall": "Recall",
    "mark_empty": "Mark as empty",
    "reopen": "Reopen",
}
# What the history says of them afterwards.
LOT_EVENTS_DONE: Final = {
    "quarantine": "Quarantined",
    "release": "Released from quarantine",
    "recall": "Recalled",
    "mark_empty": "Marked as empty",
    "reopen": "Reopened",
}
LOT_EVENTS_WITH_REASON: Final = frozenset({"quarantine", "release", "recall", "reopen"})
# Facts about a lot that are written beside its moves and leave its state as it is.
LOT_NOTES: Final = {
    "open": "Opened",
    "count": "Counted, no difference",
    "label": "Label corrected",
    "move": "Put elsewhere",
    "against": "Put here against a storage rule",
    "expiry": "Expiry set by the shelf life",
    "split": "Filled into smaller bottles",
    "filled": "Filled from a larger bottle",
    "merge": "Leftovers poured in",
    "attach": "File added",
    "withdraw": "File withdrawn",
}

# Changes of what the department keeps about a substance.
SUBSTANCE_EVENTS: Final = {
    "facts": "Facts changed",
    "attach": "File added",
    "withdraw": "File withdrawn",
}

ACTIVE: Final = "active"
DRAWN: Final = "drawn"
RELEASED: Final = "released"
HOLD_STATES: Final = {ACTIVE: "Held", DRAWN: "Drawn", RELEASED: "Released"}
HOLD_NEXT: Final[dict[tuple[str, str], str]] = {
    (ACTIVE, "draw"): DRAWN,
    (ACTIVE, "release"): RELEASED,
}

COUNTING: Final = "counting"
POSTED: Final = "posted"
GIVEN_UP: Final = "given_up"
STOCKTAKE_STATES: Final = {COUNTING: "Being counted", POSTED: "Posted", GIVEN_UP: "Given up"}
STOCKTAKE_NEXT: Final[dict[tuple[str, str], str]] = {
    (COUNTING, "post"): POSTED,
    (COUNTING, "give_up"): GIVEN_UP,
}
STOCKTAKE_EVENTS: Final = {"post": "Post the corrections", "give_up": "Give the count up"}
# What a line of a stocktake says of its lot.
COUNTED: Final = "counted"
NOT_FOUND: Final = "not_found"
LEFT_OPEN: Final = "left_open"
LINE_OUTCOMES: Final = {COUNTED: "Counted", NOT_FOUND: "Not found", LEFT_OPEN: "Left open"}
# What a history says of a piece of apparatus.
APPARATUS_EVENTS: Final = {
    "add": "Added",
    "change": "Facts changed",
    "count": "Count changed",
    "calibrate": "Calibrated",
    "take_out": "Taken out of service",
    "put_back": "Put back in service",
}
AS_FOUND: Final = {"within": "Within its limits", "outside": "Outside its limits"}

BOOKED: Final = "booked"
ENDED: Final = "ended"
BOOKING_STATES: Final = {BOOKED: "Booked", ENDED: "Given back", RELEASED: "Released"}
BOOKING_NEXT: Final[dict[tuple[str, str], str]] = {
    (BOOKED, "end"): ENDED,
    (BOOKED, "release"): RELEASED,
}
