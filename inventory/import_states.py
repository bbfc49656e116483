"""The states of a file that is brought in, as data: read and checked, looked at, done or not."""

from typing import Final

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
