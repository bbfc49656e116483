"""Everything the calculation service can refuse, as named errors.

Two kinds of "no" exist. An :class:`InputError` says that the question itself can't be read (a field
is not a number, a formula does not parse, a name means two substances): the asker must change it. A
:class:`Problem` is part of an answer: the question is well formed, and chemistry, the shelf or the
apparatus forbids or limits what was asked, so a person must decide.
"""

from dataclasses import dataclass
from typing import Literal


class CalcError(Exception):
    """Base of every error the calculation service raises."""


class InputError(CalcError):
    """A request that can't be understood.

    Attributes:
        field: dotted path of the field, as ``components.0.target.value``; empty for the whole.
        code: stable machine word, as ``not_a_number``.
        text: one or two sentences for a person: what is wrong and what would be accepted.
    """

    def __init__(self, field: str, code: str, text: str) -> None:
        super().__init__(f"{field}: {text}" if field else text)
        self.field = field
        self.code = code
        self.text = text

    def under(self, prefix: str) -> "InputError":
        """Return the same error with ``prefix`` put before its field path."""
        path = f"{prefix}.{self.field}" if self.field else prefix
        return InputError(path, self.code, self.text)


class RequestRefused(CalcError):
    """Several input errors at once, so that a form can show each beside its field."""

    def __init__(self, errors: tuple[InputError, ...]) -> None:
        super().__init__("; ".join(str(error) for error in errors))
        self.errors = errors


class NoDensity(CalcError):
    """No density with a source covers this solution at this temperature."""


class UnknownAtom(CalcError):
    """A symbol that is no chemical element."""


Severity = Literal["stop", "warn"]


@dataclass(frozen=True, slots=True)
class Problem:
    """Something a person must know (``warn``) or decide (``stop``) before the sheet is used."""

    code: str
    text: str
    severity: Severity
