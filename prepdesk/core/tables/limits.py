"""What may be brought in: the one table that code, pages and tests read."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds of one file, and of how many.

    Attributes:
        bytes: of the file as it is sent.
        unpacked_bytes: of everything inside an XLSX, which is a zip: 50 kB may unpack to gigabytes.
        entries: parts inside an XLSX.
        tags: angle brackets inside an XLSX; each costs far more memory than the byte it is.
        tags_per_row: the same between two rows, so that no single row fills the memory.
        rows: with something in them, without the heading.
        sheet_rows: how far down a sheet is read at all.
        columns: side by side.
        cell_characters: in one cell.
        text_characters: in all cells together; one long text that many cells share is small in the file.
        tries_per_hour: of one person. Each takes the server seconds; a file needs two, one to be checked
            and one to be brought in, and one more each time it is checked afresh.
    """

    bytes: int = 5_000_000
    unpacked_bytes: int = 50_000_000
    entries: int = 500
    tags: int = 6_000_000
    tags_per_row: int = 4_000
    rows: int = 20_000
    sheet_rows: int = 100_000
    columns: int = 80
    cell_characters: int = 2_000
    text_characters: int = 20_000_000
    tries_per_hour: int = 120


LIMITS: Final = Limits()

IN_WORDS: Final = f"CSV or XLSX, at most {LIMITS.bytes // 1_000_000} MB and {LIMITS.rows // 1000} 000 rows."
