"""Why a whole file is not taken. What is wrong with one cell stands at its row instead."""

from prepdesk.core.errors import DomainError


class FileRefused(DomainError):
    """A file that can't be read as a table; ``code`` says why for programs, ``text`` for people."""

    status = 422
    title = "This file can't be read"

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code
