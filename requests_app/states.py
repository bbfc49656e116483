"""The life of an order and of a batch, as tables. Pages, services, API and docs all read these."""

from typing import Final

# --- orders -----------------------------------------------------------------------------------
APPROVAL: Final = "approval"
WAITING: Final = "waiting"
QUEUED: Final = "queued"
IN_WORK: Final = "in_work"
READY: Final = "ready"
HANDED_OVER: Final = "handed_over"
CANCELLED: Final = "cancelled"

ORDER_STATES: Final = {
    APPROVAL: "Waiting for approval",
    WAITING: "Waiting for stock or apparatus",
    QUEUED: "In the queue",
    IN_WORK: "Being made",
    READY: "Ready",
    HANDED_OVER: "Handed over",
    CANCELLED: "Cancelled",
}
ORDER_NEXT: Final[dict[tuple[str, str], str]] = {
    # Nothing is held while a manager is asked. Approved, an order is planned like one that waits.
    (APPROVAL, "approve"): WAITING,
    (APPROVAL, "decline"): CANCELLED,
    (APPROVAL, "cancel"): CANCELLED,
    # Changed so that nobody need be asked any more, or planned again to see.
    (APPROVAL, "wait"): WAITING,
    (WAITING, "ask"): APPROVAL,
    (WAITING, "queue"): QUEUED,
    (WAITING, "cancel"): CANCELLED,
    (QUEUED, "cancel"): CANCELLED,
    (QUEUED, "wait"): WAITING,
    (QUEUED, "start"): IN_WORK,
    (IN_WORK, "put_back"): QUEUED,
    (IN_WORK, "finish"): READY,
    (IN_WORK, "stop"): WAITING,
    (READY, "stop"): WAITING,
    (READY, "hand_over"): HANDED_OVER,
    # A bottle of it was noted as delivered by mistake.
    (HANDED_OVER, "undo_delivery"): READY,
    # Nobody wants it any more while it is made or made already; its batch goes on without it.
    (IN_WORK, "withdraw"): CANCELLED,
    (READY, "withdraw"): CANCELLED,
}
OPEN_ORDER_STATES: Final = (APPROVAL, WAITING, QUEUED, IN_WORK, READY)

# --- batches ----------------------------------------------------------------------------------
CLAIMED: Final = "claimed"
SHELVED: Final = "shelved"

BATCH_STATES: Final = {
    QUEUED: "To be made",
    CLAIMED: "Claimed",
    IN_WORK: "Being made",
    READY: "Ready",
    HANDED_OVER: "Handed over",
    SHELVED: "Kept on the shelf",
    CANCELLED: "Cancelled",
}
BATCH_NEXT: Final[dict[tuple[str, str], str]] = {
    (QUEUED, "claim"): CLAIMED,
    (CLAIMED, "put_back"): QUEUED,
    (CLAIMED, "start"): IN_WORK,
    (IN_WORK, "finish"): READY,
    (READY, "hand_over"): HANDED_OVER,
    (HANDED_OVER, "undo_delivery"): READY,
    (QUEUED, "cancel"): CANCELLED,
    # Given up at the bench or on the ready shelf; its orders are planned again.
    (CLAIMED, "stop"): CANCELLED,
    (IN_WORK, "stop"): CANCELLED,
    (READY, "stop"): CANCELLED,
    # Nobody wants it any more: finished, or made already, it is a bottle for whoever needs it next.
    (IN_WORK, "shelve"): SHELVED,
    (READY, "shelve"): SHELVED,
}
# What an event on the batch means for each of its orders.
ORDER_EVENT_OF: Final[dict[str, str]] = {
    "claim": "start",
    "put_back": "put_back",
    "finish": "finish",
    "hand_over": "hand_over",
}
OPEN_BATCH_STATES: Final = (QUEUED, CLAIMED, IN_WORK, READY)

# --- meetings of sections, and the planning of a term ---------------------------------------------
PLANNED: Final = "planned"
MEETING_STATES: Final = {PLANNED: "Planned", CANCELLED: "Cancelled"}

RUNNING: Final = "running"
DONE: Final = "done"
STOPPED: Final = "stopped"
FAILED: Final = "failed"
RUN_STATES: Final = {RUNNING: "Running", DONE: "Done", STOPPED: "Stopped", FAILED: "Failed"}
RUN_NEXT: Final[dict[tuple[str, str], str]] = {
    (RUNNING, "finish"): DONE,
    (RUNNING, "stop"): STOPPED,
    (RUNNING, "fail"): FAILED,
    (STOPPED, "go_on"): RUNNING,
    (FAILED, "go_on"): RUNNING,
}

# --- a second person ------------------------------------------------------------------------------
ASKED: Final = "asked"
SIGNED: Final = "signed"
SENT_BACK: Final = "sent_back"
WITHDRAWN: Final = "withdrawn"
CHECK_STATES: Final = {
    ASKED: "Waits for a second person",
    SIGNED: "Signed by a second person",
    SENT_BACK: "Sent back",
    WITHDRAWN: "Not asked any more",
}
CHECK_NEXT: Final[dict[tuple[str, str], str]] = {
    (ASKED, "sign"): SIGNED,
    (ASKED, "send_back"): SENT_BACK,
    # A step was done again, or the batch changed hands or was given up, before anybody looked.
    (ASKED, "withdraw_check"): WITHDRAWN,
}

# --- the bottles that leave -----------------------------------------------------------------------
POURED: Final = "poured"
LOADED: Final = "loaded"
DELIVERED: Final = "delivered"
RETURNED: Final = "returned"
EMPTY: Final = "empty"
PORTION_STATES: Final = {
    POURED: "Poured and labelled",
    LOADED: "On the cart",
    DELIVERED: "Delivered",
    RETURNED: "Came back",
    EMPTY: "Empty",
    CANCELLED: "Poured back",
}
PORTION_NEXT: Final[dict[tuple[str, str], str]] = {
    (POURED, "load"): LOADED,
    (LOADED, "unload"): POURED,
    (POURED, "deliver"): DELIVERED,
    (LOADED, "deliver"): DELIVERED,
    # Noted by mistake: it never left the cart.
    (DELIVERED, "undo_delivery"): LOADED,
    (DELIVERED, "take_back"): RETURNED,
    (DELIVERED, "mark_empty"): EMPTY,
    # Nobody wants it any more before it left: it goes back into the lot it was poured from.
    (POURED, "pour_back"): CANCELLED,
    (LOADED, "pour_back"): CANCELLED,
}
# Bottles that have not left.
WAITING_PORTIONS: Final = (POURED, LOADED)
# Bottles that somebody got, wherever they are by now.
LEFT_PORTIONS: Final = (DELIVERED, RETURNED, EMPTY)
# What is in a bottle that comes back, and where it may go: never into a reagent bottle.
CONDITIONS: Final = {
    "unopened": "Never opened",
    "clean": "Opened, kept clean",
    "soiled": "Soiled or not known",
}

# --- words ------------------------------------------------------------------------------------
# What an event is called in a history ("Claimed") and in a refusal ("can't be claimed").
# Events of the history that leave the state alone stand here too.
EVENT_WORDS: Final[dict[str, str]] = {
    "submit": "sent",
    "ask": "put before a manager",
    "approve": "approved",
    "decline": "declined",
    "queue": "put in the queue",
    "wait": "set to wait",
    "cancel": "cancelled",
    "claim": "claimed",
    "put_back": "put back",
    "start": "started",
    "finish": "finished",
    "hand_over": "handed over",
    # One order of several has its share; the batch stands ready for the others.
    "hand_out": "handed over in part",
    "stop": "stopped",
    "plan": "planned again",
    "choose": "given another source",
    "change": "changed",
    "see": "seen",
    "withdraw": "withdrawn",
    "move": "moved",
    "lay_out": "laid out anew",
    "resize": "given another size",
    "reinstate": "taking place again",
    "shelve": "kept on the shelf",
    # At the bench.
    "give": "handed to a colleague",
    "take_over": "taken over",
    "pause": "paused",
    "resume": "gone on with",
    "run_out": "gone on from another bottle",
    "mishap": "noted as gone wrong",
    "ask_check": "put before a second person",
    "sign": "signed by a second person",
    "send_back": "sent back by a second person",
    "withdraw_check": "taken back from the second person",
    # Of the bottles that leave.
    "pour": "poured and labelled",
    "load": "put on the cart",
    "unload": "taken off the cart",
    "deliver": "delivered",
    "undo_delivery": "noted as not delivered after all",
    "take_back": "taken back",
    "mark_empty": "marked empty",
    "pour_back": "poured back",
}
