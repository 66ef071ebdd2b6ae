"""Refuses a statement that names a workshop's table without comparing its `workshop_id` with a value.

Each table in a FROM (each alias by itself) must be tied to a value: directly, or over equalities of `workshop_id`
with another that is. Only conditions that must all hold count; a LEFT JOIN's condition ties its right side alone.
The workshop's own row is named by its id or by its code, which is unique.
"""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import BindParameter, Column, Connection, Engine, Table, event
from sqlalchemy.sql import operators, visitors
from sqlalchemy.sql.dml import Delete, Insert, Update
from sqlalchemy.sql.elements import BinaryExpression, BooleanClauseList, ClauseElement, Grouping, TextClause
from sqlalchemy.sql.selectable import Alias, Join, Select
from sqlmodel import SQLModel

from service.store import tables

assert tables  # it fills the metadata

Key = tuple[str, str]  # a table or alias as it stands in one FROM, and its column
OURS = {table.name for table in SQLModel.metadata.tables.values() if "workshop_id" in table.c}
assert {"lot", "movement", "document", "token"} <= OURS, "the tables were not there yet"
VALUE: Key = ("", "a value")


class Unwalled(AssertionError):
    """A statement that could see another workshop's rows."""


def _table_of(source: Any) -> Table | None:
    inner = source.element if isinstance(source, Alias) else source
    return inner if isinstance(inner, Table) else None


def _sources(source: Any) -> Iterator[Any]:
    if isinstance(source, Join):
        yield from _sources(source.left)
        yield from _sources(source.right)
    elif _table_of(source) is not None:
        yield source


def _joins(source: Any) -> Iterator[Join]:
    if isinstance(source, Join):
        yield source
        yield from _joins(source.left)
        yield from _joins(source.right)


def _all_hold(clause: Any) -> Iterator[BinaryExpression[Any]]:
    """The equalities that must hold for a row to be seen."""
    if isinstance(clause, Grouping):
        yield from _all_hold(clause.element)
    elif isinstance(clause, BooleanClauseList) and clause.operator is operators.and_:
        for part in clause.clauses:
            yield from _all_hold(part)
    elif isinstance(clause, BinaryExpression) and clause.operator is operators.eq:
        yield clause


def _key(side: Any) -> Key | None:
    if isinstance(side, BindParameter):
        return VALUE
    if isinstance(side, Column) or hasattr(side, "table"):
        owner = getattr(side, "table", None)
        mine = side.name == "workshop_id" or (getattr(owner, "name", "") == "workshop" and side.name in ("id", "code"))
        return (str(getattr(owner, "name", "")), "workshop") if mine else None
    return None


def _ties(clause: Any, only: set[str] | None = None) -> Iterator[tuple[Key, Key]]:
    for one in _all_hold(clause):
        left, right = _key(one.left), _key(one.right)
        if left is None or right is None or left == right:
            continue
        named = {left[0], right[0]} - {""}
        if only is None or named & only:
            yield left, right


def _tied(pairs: list[tuple[Key, Key]]) -> set[str]:
    """The names that hang on a value."""
    known = {VALUE}
    while grown := {side for pair in pairs if known & set(pair) for side in pair} - known:
        known |= grown
    return {name for name, _ in known}


def _select(statement: Select[Any]) -> list[str]:
    froms = statement.get_final_froms()
    pairs = list(_ties(statement.whereclause)) if statement.whereclause is not None else []
    for join in (join for source in froms for join in _joins(source)):
        right = {str(source.name) for source in _sources(join.right)}
        pairs += _ties(join.onclause, right if join.isouter else None)
    tied = _tied(pairs)
    sources = [source for found in froms for source in _sources(found)]
    return [str(source.name) for source in sources if _in_ours(source) and source.name not in tied]


def _in_ours(source: Any) -> bool:
    table = _table_of(source)
    return table is not None and table.name in OURS


def _change(statement: Update | Delete) -> list[str]:
    table: Any = statement.table
    where = statement.whereclause
    tied = _tied(list(_ties(where))) if where is not None else set()
    return [table.name] if table.name in OURS and table.name not in tied else []


def _insert(statement: Insert, rows: list[Any]) -> list[str]:
    table: Any = statement.table
    if table.name not in OURS:
        return []
    said = {getattr(name, "name", name) for name in (statement._values or {})}
    said |= {getattr(name, "name", name) for many in statement._multi_values for row in many for name in row}
    whole = "workshop_id" in said or (bool(rows) and all("workshop_id" in row for row in rows))
    return [] if whole else [table.name]


def open_tables(statement: Any, rows: list[Any]) -> list[str]:
    """The tables that a statement does not wall off."""
    if isinstance(statement, TextClause):
        words = set(statement.text.replace("(", " ").replace(",", " ").split())
        return sorted(words & OURS) if "workshop_id" not in statement.text else []
    found: list[str] = []
    if isinstance(statement, Insert):
        found += _insert(statement, rows)
    elif isinstance(statement, Update | Delete):
        found += _change(statement)
    if isinstance(statement, ClauseElement):
        for part in visitors.iterate(statement):
            found += _select(part) if isinstance(part, Select) else []
    return found


class Guard:
    """Listens to an engine; `refused` are the statements it met, `seen` how many it looked at."""

    def __init__(self) -> None:
        self.seen = 0
        self.refused: list[str] = []

    def listen(self, engine: Engine) -> None:
        event.listen(engine, "before_execute", self._look)

    def _look(self, _: Connection, statement: Any, many: Any, one: Any, __: Any) -> None:
        self.seen += 1
        rows = [*many] if isinstance(many, list | tuple) and many else [one] if one else []
        wrong = open_tables(statement, rows)
        if wrong:
            self.refused.append(f"{', '.join(wrong)} in: {statement}")
            raise Unwalled(self.refused[-1])
