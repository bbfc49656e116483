"""The refusals a service can raise, each with what a person needs to hear.

Services raise these; :mod:`prepdesk.core.middleware` turns them into a page or a fragment and
:mod:`prepdesk.core.api` into JSON, so no view writes its own error handling.
"""

from collections.abc import Mapping


class DomainError(Exception):
    """Base of everything a service refuses.

    Attributes:
        code: stable machine word.
        status: HTTP status it answers with.
        title: heading of the error page.
        text: what happened and what to do, for a person.
    """

    code = "refused"
    status = 409
    title = "That can't be done now"

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.text = text


class NotAllowed(DomainError):
    """The actor's role does not permit the action."""

    code = "not_allowed"
    status = 403
    title = "Not allowed"


class Conflict(DomainError):
    """Somebody else was faster, or the object is no longer in the state the page showed."""

    code = "conflict"
    status = 409
    title = "Somebody was faster"


class NotInThisState(DomainError):
    """The event is not possible in the object's present state."""

    code = "not_in_this_state"
    status = 409
    title = "Not possible in this state"


class TooLarge(DomainError):
    """More was sent at once than any page here takes."""

    code = "too_large"
    status = 413
    title = "Too much at once"


class InvalidInput(DomainError):
    """Typed values that a service refuses, by field, so that a form can show them there."""

    code = "invalid"
    status = 422
    title = "Something needs correcting"

    def __init__(self, errors: Mapping[str, str]) -> None:
        super().__init__(" ".join(errors.values()))
        self.errors = dict(errors)


class TooManyTries(DomainError):
    """One person asks for more work than the server gives one in that time."""

    code = "too_many_tries"
    status = 429
    title = "Too many for now"


class OutOfStock(DomainError):
    """The shelf can't serve what was asked."""

    code = "out_of_stock"
    status = 409
    title = "Not enough on the shelf"
