"""Tables that come in and go out as files: CSV and XLSX, read into rows of text, written safely.

Nothing here knows what a table is about: whoever brings something in says which :class:`Column` it
has, and gets a :class:`Table` of text with row numbers; see :func:`read_table`.
"""

from prepdesk.core.tables.columns import Column, Row, Table
from prepdesk.core.tables.days import read_day
from prepdesk.core.tables.limits import IN_WORDS, LIMITS
from prepdesk.core.tables.reading import read_table
from prepdesk.core.tables.refusals import FileRefused
from prepdesk.core.tables.writing import FORMATS, Format, csv_file, download, xlsx_file

__all__ = [
    "FORMATS",
    "IN_WORDS",
    "LIMITS",
    "Column",
    "FileRefused",
    "Format",
    "Row",
    "Table",
    "csv_file",
    "download",
    "read_day",
    "read_table",
    "xlsx_file",
]
