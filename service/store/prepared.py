"""Statements compiled once and run on the driver's own cursor: what the hot path of recording a run is made of.

They are ordinary Core statements; where somebody listens to statements (tests do) they go SQLAlchemy's own way.
Parameters are named by `bindparam`; a list of values is padded to one of a few lengths, so that few texts are compiled.
"""

import re
from collections import namedtuple
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, bindparam
from sqlalchemy.engine import Dialect
from sqlalchemy.exc import DBAPIError

Processor = Callable[[Any], Any] | None
LENGTHS = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 4096, 16384, 30000)


@dataclass(frozen=True, slots=True)
class _Text:
    """A compiled statement: its text, its parameters in their order, and how a row is made."""

    sql: str
    names: tuple[tuple[str, int | None, Processor], ...]  # parameter, place in its list, processor
    keys: tuple[str, ...] | None  # the names of the driver's parameters where it takes them by name
    row: Callable[[Sequence[Any]], Any] | None
    fixed: Mapping[str, Any]  # values that stand in the statement itself


class Prepared:
    """One statement; with `expanding`, a function that makes it from the parameter of that name, a list."""

    def __init__(self, statement: Any, expanding: str | None = None) -> None:
        self._make, self.expanding = statement, expanding
        self.statement = statement if expanding is None else statement(bindparam(expanding, expanding=True))
        self._texts: dict[tuple[str, int], _Text] = {}

    def rows(self, connection: Connection, values: Mapping[str, Any]) -> list[Row[Any]]:
        """Run it with these values; its rows, by attribute like SQLAlchemy's."""
        if _watched(connection):
            return list(connection.execute(self.statement, dict(values)))
        text, given = self._bound(connection, values)
        cursor = self._execute(connection, text, given)
        try:
            assert text.row is not None
            return [text.row(row) for row in cursor.fetchall()]
        finally:
            cursor.close()

    def first(self, connection: Connection, values: Mapping[str, Any]) -> Row[Any] | None:
        """The first row, or None."""
        found = self.rows(connection, values)
        return found[0] if found else None

    def run(self, connection: Connection, values: Mapping[str, Any]) -> int:
        """Run it for one set of values; how many rows it changed."""
        if _watched(connection):
            return int(connection.execute(self.statement, dict(values)).rowcount)
        text, given = self._bound(connection, values)
        cursor = self._execute(connection, text, given)
        try:
            return int(cursor.rowcount)
        finally:
            cursor.close()

    def many(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> int:
        """Run it for many sets of values; how many rows it changed (-1 where the driver does not say)."""
        if _watched(connection):
            return int(connection.execute(self.statement, [dict(row) for row in rows]).rowcount)
        text = self._text(connection.dialect, 0)
        given = [_in_order(text, row) for row in rows]
        cursor = self._execute(connection, text, given, many=True)
        try:
            return int(cursor.rowcount)
        finally:
            cursor.close()

    def _bound(self, connection: Connection, values: Mapping[str, Any]) -> tuple[_Text, Any]:
        if self.expanding is None:
            text = self._text(connection.dialect, 0)
            return text, _in_order(text, values)
        some = list(values[self.expanding])
        length = next(one for one in LENGTHS if one >= len(some))
        text = self._text(connection.dialect, length)
        return text, _in_order(text, {**values, self.expanding: some + some[-1:] * (length - len(some))})

    def _text(self, dialect: Dialect, length: int) -> _Text:
        key = dialect.name, length
        if key not in self._texts:
            listed: list[Any] = [bindparam(f"{self.expanding}_{n + 1}") for n in range(length)]
            statement = self._make(listed) if listed else self.statement
            self._texts[key] = _compile(statement, dialect, self.expanding)
        return self._texts[key]

    def _execute(self, connection: Connection, text: _Text, given: Any, many: bool = False) -> Any:
        raw: Any = connection.connection.driver_connection
        cursor = raw.cursor()
        try:
            (cursor.executemany if many else cursor.execute)(text.sql, given)
        except Exception as error:
            cursor.close()
            raise _as_sqlalchemy(connection, text.sql, error) from error
        return cursor


def _watched(connection: Connection) -> bool:
    listening = connection.dispatch
    return bool(listening.before_execute or listening.before_cursor_execute)


def _in_order(text: _Text, values: Mapping[str, Any]) -> Any:
    if text.fixed:
        values = {**text.fixed, **values}
    given = []
    for name, place, process in text.names:
        value = values[name] if place is None else values[name][place]
        given.append(value if process is None or value is None else process(value))
    return tuple(given) if text.keys is None else dict(zip(text.keys, given, strict=True))


def _compile(statement: Any, dialect: Dialect, expanding: str | None) -> _Text:
    compiled = statement.compile(dialect=dialect)
    order = compiled.positiontup if compiled.positional else list(compiled.params)
    names = []
    fixed = {}
    for name in order:
        match = re.fullmatch(rf"{expanding}_(\d+)", name) if expanding else None
        bound = compiled.binds.get(name if match is None else str(expanding))
        if bound is not None and not bound.required and bound.value is not None:
            fixed[name] = bound.value
        process = None if bound is None else bound.type.dialect_impl(dialect).bind_processor(dialect)
        names.append((str(expanding), int(match[1]) - 1, process) if match else (name, None, process))
    return _Text(
        str(compiled), tuple(names), None if compiled.positional else tuple(order), _row_maker(statement, dialect), fixed
    )


def _row_maker(statement: Any, dialect: Dialect) -> Callable[[Sequence[Any]], Any] | None:
    columns = list(statement.exported_columns) if statement.is_select or statement._returning else []
    if not columns:
        return None
    kind = namedtuple("Row", [column.key for column in columns])  # type: ignore[misc]
    found = [column.type.dialect_impl(dialect).result_processor(dialect, None) for column in columns]
    processors = [(at, process) for at, process in enumerate(found) if process is not None]
    if not processors:
        return kind._make

    def make(row: Sequence[Any]) -> Any:
        values = list(row)
        for at, process in processors:
            if values[at] is not None:
                values[at] = process(values[at])
        return kind._make(values)

    return make


def _as_sqlalchemy(connection: Connection, sql: str, error: Exception) -> BaseException:
    """The driver's error as SQLAlchemy would raise it; a lost connection leaves the pool."""
    dialect = connection.dialect
    base = dialect.loaded_dbapi.Error
    if not isinstance(error, base):
        return error
    gone = dialect.is_disconnect(error, connection.connection.dbapi_connection, None)
    wrapped = DBAPIError.instance(sql, None, error, base, hide_parameters=True, connection_invalidated=gone, dialect=dialect)
    if gone:
        connection.invalidate(error)
    return wrapped
