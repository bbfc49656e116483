"""Questions whose SQL is put together once for a connection, and asked again with other values.

Putting the SQL of a large question together takes the ORM longer than the database takes to answer it, and it
comes out the same every time: only the moments and keys in it change. A page that everybody looks at all day
asks through :func:`rows_of`, which leaves the SQL to the ORM all the same:

* A question is a function that gives a queryset of columns. What changes its SQL is its *shape* (positional
  and hashable), what only changes its parameters are its *values* (a mapping of keys and moments). It sees
  nothing else, so nothing can be forgotten when its SQL is kept.
* It is put together twice with made-up values, *marks*, that are found again among the parameters. Both
  times the SQL has to be the same, every mark has to turn up, and a parameter that differs has to be a mark:
  one that was reckoned from a value would stay as it was for ever. Where this doesn't hold, or nothing could
  be found at all, the ORM asks as ever.
* Values always go to the database as parameters, never into the text.

What is asked once on a connection is asked by the ORM: a connection that lives for one request gains nothing.
"""

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

from django.core.exceptions import EmptyResultSet
from django.db import DEFAULT_DB_ALIAS, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.models import QuerySet
from django.utils import timezone

# A key, a moment, a day, or several keys.
Values = Mapping[str, Any]
Row = tuple[Any, ...]
Question = Callable[..., QuerySet[Any, Row]]

# Pages of long lists are shapes of their own; so many are kept before all are put together anew.
_MOST_KEPT: Final = 200
_ASKED_ONCE: Final = "asked once"


@dataclass(frozen=True, slots=True)
class _Prepared:
    """The SQL of a question.

    Attributes:
        sql, params: as the ORM put them together, with marks where values go.
        places: where a value goes, by its place among all values laid end to end.
        converters: what makes Python values of a column, as the ORM would: place, functions, expression.
    """

    sql: str
    params: tuple[Any, ...]
    places: tuple[tuple[int, int], ...]
    converters: tuple[tuple[int, Sequence[Callable[..., Any]], Any], ...]

    def ask(self, connection: BaseDatabaseWrapper, values: list[Any]) -> list[Row]:
        params = list(self.params)
        for place, number in self.places:
            value = values[number]
            # A driver may tell widths of whole numbers apart by a type of its own.
            params[place] = type(params[place])(value) if isinstance(value, int) else value
        with connection.cursor() as cursor:
            cursor.execute(self.sql, params)
            rows: list[Row] = cursor.fetchall()
        if not rows:
            return []
        columns: list[Sequence[Any]] = list(zip(*rows, strict=True))
        for place, converters, expression in self.converters:
            for convert in converters:
                # Columns that are empty mostly are many, and empty is always made the same of.
                empty = convert(None, expression, connection)
                columns[place] = [
                    empty if value is None else convert(value, expression, connection)
                    for value in columns[place]
                ]
        return list(zip(*columns, strict=True))


def rows_of(question: Question, shape: tuple[Hashable, ...], values: Values) -> list[Row]:
    """The rows of ``question(*shape, values)``, a queryset of ``values_list``.

    Args:
        question: a function of a module, which reads nothing but its arguments.
        shape: what its SQL depends on.
        values: what only its parameters depend on: keys, moments, days, and tuples of keys, whose length
            belongs to the shape as the names do.
    """
    connection = connections[DEFAULT_DB_ALIAS]
    kept: dict[Hashable, _Prepared | str | None] = vars(connection).setdefault("prepared_questions", {})
    kinds = tuple(
        (name, type(value), len(value) if isinstance(value, tuple) else 1) for name, value in values.items()
    )
    # The name of the zone goes into the SQL wherever a moment becomes a day.
    key = (question, shape, kinds, timezone.get_current_timezone_name())
    if key not in kept:
        if len(kept) >= _MOST_KEPT:
            kept.clear()
        kept[key] = _ASKED_ONCE
    elif kept[key] == _ASKED_ONCE:
        kept[key] = _prepare(connection, question, shape, values)
    prepared = kept[key]
    if isinstance(prepared, _Prepared):
        return prepared.ask(connection, _adapted(connection, values))
    return list(question(*shape, values))


def _prepare(
    connection: BaseDatabaseWrapper, question: Question, shape: tuple[Hashable, ...], values: Values
) -> _Prepared | None:
    """The question put together, or None where its values can't be told from what else is in it."""
    marks = [_marks(values, turn) for turn in (0, 1)]
    compilers, texts = [], []
    for marked in marks:
        rows = question(*shape, marked)
        if rows.db != connection.alias:
            return None
        compilers.append(rows.query.get_compiler(connection=connection))
        try:
            texts.append(compilers[-1].as_sql())
        except EmptyResultSet:
            return None
    (sql, params), (other_sql, other_params) = texts
    compiler = compilers[0]
    if sql != other_sql or compiler.has_extra_select:
        return None
    places = _places(params, other_params, [_adapted(connection, marked) for marked in marks])
    if places is None:
        return None
    columns = [column for column, _, _ in compiler.select[: compiler.col_count]]
    converters = compiler.get_converters(columns).items()
    return _Prepared(
        sql=sql,
        params=tuple(params),
        places=places,
        converters=tuple((place, functions, column) for place, (functions, column) in converters),
    )


def _marks(values: Values, turn: int) -> dict[str, Any]:
    """Values of the same kinds that nobody would ask for, each of them once, and others every turn."""
    marks: dict[str, Any] = {}
    number = 1 + turn * 100_003
    for name, value in values.items():
        if isinstance(value, tuple):
            marks[name] = tuple(1_900_000_000 + number + more for more in range(len(value)))
            number += len(value)
            continue
        number += 1
        if isinstance(value, datetime):
            marks[name] = datetime(1621, 1, 1, tzinfo=UTC) + timedelta(hours=number, microseconds=number)
        elif isinstance(value, date):
            marks[name] = date(1321, 1, 1) + timedelta(days=number)
        else:
            marks[name] = 1_900_000_000 + number
    return marks


def _adapted(connection: BaseDatabaseWrapper, values: Values) -> list[Any]:
    """The values laid end to end, as this database takes them for parameters."""
    adapted: list[Any] = []
    for value in values.values():
        if isinstance(value, tuple):
            adapted += value
        elif isinstance(value, datetime):
            adapted.append(connection.ops.adapt_datetimefield_value(value))
        elif isinstance(value, date):
            adapted.append(connection.ops.adapt_datefield_value(value))
        else:
            adapted.append(value)
    return adapted


def _places(
    params: Sequence[Any], other_params: Sequence[Any], marks: list[list[Any]]
) -> tuple[tuple[int, int], ...] | None:
    """Where each mark stands, or None where one is missing or something else differs."""
    first, second = ({mark: number for number, mark in enumerate(marked)} for marked in marks)
    places = []
    for place, (one, other) in enumerate(zip(params, other_params, strict=True)):
        number = first.get(one) if isinstance(one, Hashable) else None
        if number is not None and second.get(other) == number:
            places.append((place, number))
        elif number is not None or one != other:
            return None
    found = {number for _, number in places}
    return tuple(places) if len(found) == len(first) == len(marks[0]) else None
