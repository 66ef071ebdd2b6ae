"""Statements compiled once and run on the driver's own cursor: what the hot path of recording a run is made of.

They are ordinary Core statements; where somebody listens to statements (tests do) they go SQLAlchemy's own way.
Parameters are named by `bindparam`; a list of values is padded to one of a few lengths, so that few texts are compiled.
"""

import re
from bisect import bisect_left
from collections import namedtuple
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from operator import itemgetter
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import Connection, Date, Row, bindparam
from sqlalchemy.engine import Dialect
from sqlalchemy.exc import DBAPIError

Processor = Callable[[Any], Any] | None
LENGTHS = (1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 4096, 16384, 30000)
MANY = 1024  # of a list at once, where the order of what comes back does not matter


def parts(some: Collection[int], size: int = MANY) -> Iterator[list[int]]:
    """A list in parts that are short enough for one statement."""
    wanted = sorted(some)
    return (wanted[at : at + size] for at in range(0, len(wanted), size))


@dataclass(frozen=True, slots=True)
class _Text:
    """A compiled statement: its text, how its values are put in their order, and how its rows are made."""

    sql: str
    bind: Callable[[Mapping[str, Any]], Any]
    rows: Callable[[Sequence[Sequence[Any]]], list[Any]] | None


class Prepared:
    """One statement; with `expanding`, a function that makes it from the parameter of that name, a list."""

    def __init__(self, statement: Any, expanding: str | None = None) -> None:
        self._make, self.expanding = statement, expanding
        self.statement = statement if expanding is None else statement(bindparam(expanding, expanding=True))
        self._texts: dict[tuple[str, int], _Text] = {}

    def rows(self, connection: Connection, values: Mapping[str, Any]) -> list[Row[Any]]:
        """Run it with these values; its rows, by attribute like SQLAlchemy's."""
        driver = _driver(connection)
        if driver is None:
            return list(connection.execute(self.statement, dict(values)))
        text, given = self._bound(connection, values)
        cursor = _execute(connection, driver, text.sql, given)
        try:
            assert text.rows is not None
            return text.rows(cursor.fetchall())
        finally:
            cursor.close()

    def stream(self, connection: Connection, values: Mapping[str, Any]) -> Iterator[Row[Any]]:
        """The same rows, some at a time: for answers too large to be held at once."""
        driver = _driver(connection)
        if driver is None:
            yield from connection.execute(self.statement, dict(values))
            return
        text, given = self._bound(connection, values)
        cursor = _execute(connection, driver, text.sql, given)
        try:
            assert text.rows is not None
            while some := cursor.fetchmany(MANY):
                yield from text.rows(some)
        finally:
            cursor.close()

    def first(self, connection: Connection, values: Mapping[str, Any]) -> Row[Any] | None:
        """The first row, or None."""
        found = self.rows(connection, values)
        return found[0] if found else None

    def run(self, connection: Connection, values: Mapping[str, Any]) -> int:
        """Run it for one set of values; how many rows it changed."""
        driver = _driver(connection)
        if driver is None:
            return int(connection.execute(self.statement, dict(values)).rowcount)
        text, given = self._bound(connection, values)
        cursor = _execute(connection, driver, text.sql, given)
        try:
            return int(cursor.rowcount)
        finally:
            cursor.close()

    def many(self, connection: Connection, rows: Sequence[Mapping[str, Any]]) -> int:
        """Run it for many sets of values; how many rows it changed (-1 where the driver does not say)."""
        driver = _driver(connection)
        if driver is None:
            return int(connection.execute(self.statement, [dict(row) for row in rows]).rowcount)
        text = self._text(connection.dialect, 0)
        cursor = _execute(connection, driver, text.sql, [text.bind(row) for row in rows], many=True)
        try:
            return int(cursor.rowcount)
        finally:
            cursor.close()

    def _bound(self, connection: Connection, values: Mapping[str, Any]) -> tuple[_Text, Any]:
        if self.expanding is None:
            text = self._text(connection.dialect, 0)
            return text, text.bind(values)
        some = list(values[self.expanding])
        length = LENGTHS[bisect_left(LENGTHS, len(some))]
        text = self._text(connection.dialect, length)
        return text, text.bind({**values, self.expanding: some + some[-1:] * (length - len(some))})

    def _text(self, dialect: Dialect, length: int) -> _Text:
        key = dialect.name, length
        if key not in self._texts:
            listed: list[Any] = [bindparam(f"{self.expanding}_{n + 1}") for n in range(length)]
            statement = self._make(listed) if listed else self.statement
            self._texts[key] = _compile(statement, dialect, self.expanding)
        return self._texts[key]


_DRIVERS: WeakKeyDictionary[Connection, Any] = WeakKeyDictionary()


def _driver(connection: Connection) -> Any:
    """The driver's own connection; None where somebody listens. Asked once a transaction, as each has its Connection."""
    try:
        return _DRIVERS[connection]
    except KeyError:
        heard = connection.dispatch.before_execute or connection.dispatch.before_cursor_execute
        driver = _DRIVERS[connection] = None if heard else connection.connection.driver_connection
        return driver


def say(connection: Connection, sql: str) -> None:
    """Say a few words to the database that need no answer."""
    driver = _driver(connection)
    if driver is None:
        connection.exec_driver_sql(sql)
    else:
        _execute(connection, driver, sql, ()).close()


def _execute(connection: Connection, driver: Any, sql: str, given: Any, many: bool = False) -> Any:
    cursor = driver.cursor()
    try:
        (cursor.executemany if many else cursor.execute)(sql, given)
    except Exception as error:
        cursor.close()
        raise _as_sqlalchemy(connection, sql, error) from error
    return cursor


def _compile(statement: Any, dialect: Dialect, expanding: str | None) -> _Text:
    compiled = statement.compile(dialect=dialect)
    order = compiled.positiontup if compiled.positional else list(compiled.params)
    places: list[tuple[str, int | None]] = []  # parameter, and its place in the list
    processors: list[tuple[int, Callable[[Any], Any]]] = []
    fixed = {}  # values that stand in the statement itself
    for at, name in enumerate(order):
        match = re.fullmatch(rf"{expanding}_(\d+)", name) if expanding else None
        bound = compiled.binds.get(name if match is None else str(expanding))
        if bound is not None and not bound.required and bound.value is not None:
            fixed[name] = bound.value
        process = None if bound is None else _to_driver(bound.type, dialect)
        processors += [(at, process)] if process is not None else []
        places.append((str(expanding), int(match[1]) - 1) if match else (name, None))
    pick = _changed(_picked(places, fixed), processors)
    keys = None if compiled.positional else tuple(order)
    bind = pick if keys is None else lambda values: dict(zip(keys, pick(values), strict=True))
    return _Text(str(compiled), bind, _row_maker(statement, dialect))


def _picked(places: Sequence[tuple[str, int | None]], fixed: Mapping[str, Any]) -> Callable[[Mapping[str, Any]], Sequence[Any]]:
    """The values in their order; what the statement itself holds where none is given."""
    names = [name for name, place in places if place is None]
    if not fixed and len(names) == len(places) > 1:
        return itemgetter(*names)

    def pick(values: Mapping[str, Any]) -> Sequence[Any]:
        known = {**fixed, **values} if fixed else values
        return [known[name] if place is None else known[name][place] for name, place in places]

    return pick


def _changed(
    pick: Callable[[Any], Sequence[Any]], processors: Sequence[tuple[int, Callable[[Any], Any]]]
) -> Callable[[Any], Sequence[Any]]:
    """The same values, each of these places (that is not NULL) put through its function."""
    if not processors:
        return pick

    def change(source: Any) -> Sequence[Any]:
        values = list(pick(source))
        for at, process in processors:
            if (value := values[at]) is not None:
                values[at] = process(value)
        return values

    return change


def _to_driver(type_: Any, dialect: Dialect) -> Callable[[Any], Any] | None:
    if dialect.name == "sqlite" and isinstance(type_, Date):
        return date.isoformat  # what SQLite's own type writes, only sooner
    process: Processor = type_.dialect_impl(dialect).bind_processor(dialect)
    return process


def _row_maker(statement: Any, dialect: Dialect) -> Callable[[Sequence[Sequence[Any]]], list[Any]] | None:
    columns = list(statement.exported_columns) if statement.is_select or statement._returning else []
    if not columns:
        return None
    kind = namedtuple("Row", [column.key for column in columns])  # type: ignore[misc]
    make = partial(tuple.__new__, kind)
    found = [column.type.dialect_impl(dialect).result_processor(dialect, None) for column in columns]
    processors = [(at, process) for at, process in enumerate(found) if process is not None]
    if not processors:
        return lambda rows: list(map(make, rows))
    change = _changed(tuple, processors)
    return lambda rows: [make(change(row)) for row in rows]


def _as_sqlalchemy(connection: Connection, sql: str, error: Exception) -> BaseException:
    """The driver's error as SQLAlchemy would raise it; a lost connection leaves the pool."""
    dialect = connection.dialect
    base = dialect.loaded_dbapi.Error
    if not isinstance(error, base):
        return error
    gone = dialect.is_disconnect(error, connection.connection.dbapi_connection, None)
    wrapped = DBAPIError.instance(sql, None, error, base, hide_parameters=True, connection_invalidated=gone, dialect=dialect)
    if gone:
        _DRIVERS.pop(connection, None)
        connection.invalidate(error)
    return wrapped
