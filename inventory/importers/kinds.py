"""The register of what can be brought in, and what an importer of one kind is asked."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.tables import Column, Row

Outcome = Literal["create", "change", "same", "refuse"]
# Called with the number of rows done; may raise to stop the work.
Tick = Callable[[int], None]


@dataclass(frozen=True, slots=True)
class Option:
    """Something a person may tick before a file is checked."""

    name: str
    label: str
    help: str = ""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one row would do.

    Attributes:
        number: of the row.
        outcome: what would become of it.
        title: what the row is about, in words.
        changes: heading, old, new; as a person reads them.
        reasons: why it is refused, by heading; "" for the row as a whole.
        remarks: what to look at, though it doesn't stop the row.
        action: what the importer needs to do it; kept in memory only.
    """

    number: int
    outcome: Outcome
    title: str = ""
    changes: tuple[tuple[str, str, str], ...] = ()
    reasons: Mapping[str, str] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    action: Any = None


class Importer:
    """One kind of file.

    Attributes:
        kind: its name in addresses and rows.
        label: what is brought in, as "Bottles".
        about: a sentence or two on what the file does.
        action: of the policy table; who may bring it in.
        home: name of the route that such files are brought in from.
        columns: those a file may have.
        options: what may be ticked.
        result_column: key of the column that holds what a new thing is called.
        result_route: name of the route to its page, which takes that name.
    """

    kind: str
    label: str
    about: str
    action: str
    home: str
    columns: Sequence[Column]
    options: Sequence[Option] = ()
    result_column: str = ""
    result_route: str = ""

    def check(
        self, rows: Sequence[Row], *, actor: User, options: Mapping[str, bool], tick: Tick
    ) -> list[Verdict]:
        """What each row would do now, in the order of the rows. Changes nothing.

        The number of queries must not grow with the number of rows. What it finds depends on the rows,
        the options and the database alone: it is asked again when somebody confirms, and only what
        is found the same twice is done.
        """
        raise NotImplementedError

    def mark(self, rows: Sequence[Row]) -> str:
        """A text that stays the same as long as ``check`` would find the same about these rows.

        Inside a transaction what the rows name is locked by this. Empty where a kind has no such mark:
        its rows are then checked inside the transaction that brings them in.
        """
        return ""

    def apply(
        self, verdicts: Sequence[Verdict], *, actor: User, key: str, source: str, tick: Tick
    ) -> Mapping[int, str]:
        """Do what ``check`` found, inside the caller's transaction, through the services.

        Args:
            verdicts: those that create or change something.
            key: begins the idempotency keys of what is written.
            source: the file in words, for the reason in a ledger or a history.

        Returns:
            What a new thing is called now, by the number of its row; empty where nothing is named.
        """
        raise NotImplementedError


# What a list of refused rows says besides the rows, so that it can be mended and brought in again.
ROW: Final = Column("row_number", "Row", is_read=False)
WHY: Final = Column("why", "Why", is_read=False)
_REGISTER: Final[dict[str, Importer]] = {}


def register(importer: Importer) -> None:
    """Add a kind; an app does so when it is ready. The same kind twice is a programming error."""
    known = _REGISTER.setdefault(importer.kind, importer)
    if known is not importer:
        raise ValueError(f"Two importers for {importer.kind}.")


def importer_of(kind: str) -> Importer | None:
    """The importer of a kind, if somebody registered one."""
    return _REGISTER.get(kind)


def importers_for(actor: User, *, home: str = "") -> list[Importer]:
    """What this person may bring in, in the order it was registered."""
    return [
        each
        for each in _REGISTER.values()
        if policy.may(actor, each.action) and (not home or each.home == home)
    ]
