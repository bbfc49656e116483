"""A page of a long list, as every list of the stockroom is shown."""

from dataclasses import dataclass
from typing import Generic, TypeVar

Row = TypeVar("Row")


# No slots: a frozen class with slots can't be made through Page[Row] in Python 3.11.
@dataclass(frozen=True)
class Page(Generic[Row]):
    """Some rows of a list.

    Attributes:
        rows: those of this page.
        total: how many the whole list has.
        number: of this page, from 1.
        pages: how many there are; an empty list has one.
    """

    rows: tuple[Row, ...]
    total: int
    number: int
    pages: int

    @property
    def previous(self) -> int:
        """Number of the page before."""
        return self.number - 1

    @property
    def next(self) -> int:
        """Number of the page after."""
        return self.number + 1
