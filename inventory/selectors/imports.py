"""Files that were brought in, for lists and pages."""

from collections.abc import Iterable

from django.db.models import QuerySet

from inventory.models import ImportRow, ImportRun
from inventory.selectors.paging import Page

PER_PAGE = 100


def import_runs(kinds: Iterable[str]) -> QuerySet[ImportRun]:
    """The files of these kinds, newest first, without the rows they wait with."""
    runs = ImportRun.objects.filter(kind__in=list(kinds)).defer("parsed")
    return runs.select_related("actor", "confirmed_by").order_by("-id")


# A page of what was found about the rows of a file.
ImportPage = Page[ImportRow]


def import_page(run: ImportRun, *, outcome: str = "", page: int = 1, per_page: int = PER_PAGE) -> ImportPage:
    """Rows in the order of the file; a page past the end is the last one.

    Args:
        outcome: of :class:`ImportRow.Outcome`; anything else shows all rows.
    """
    found = rows_of_import(run, outcome)
    total = found.count()
    pages = max(1, -(-total // per_page))
    number = min(max(page, 1), pages)
    return ImportPage(tuple(found[(number - 1) * per_page : number * per_page]), total, number, pages)


def rows_of_import(run: ImportRun, outcome: str = "") -> QuerySet[ImportRow]:
    """What was found about the rows of a file, all or those of one outcome."""
    rows = run.rows.order_by("number")
    return rows.filter(outcome=outcome) if outcome in ImportRow.Outcome.values else rows
