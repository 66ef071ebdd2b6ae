"""Formulas: versions and their lines. A formula is its bulk item; versions are never changed once used."""

from collections.abc import Collection, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, bindparam, case, insert, select, update

from service.store.prepared import Prepared
from service.store.tables import FormulaLine, FormulaVersion, Item

VERSION = FormulaVersion.__table__  # type: ignore[attr-defined]
LINE = FormulaLine.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]


_THERE = VERSION.c.made_on <= bindparam("day")
_OF_DAY = Prepared(
    select(VERSION)
    .where(VERSION.c.workshop_id == bindparam("workshop"), VERSION.c.formula_id == bindparam("formula"))
    .order_by(case((_THERE, 0), else_=1), case((_THERE, VERSION.c.version), else_=-VERSION.c.version).desc())
    .limit(1)
)
_VERSIONS = Prepared(
    lambda ids: (
        select(VERSION)
        .where(VERSION.c.workshop_id == bindparam("workshop"), VERSION.c.formula_id.in_(ids))
        .order_by(VERSION.c.version)
    ),
    "ids",
)
_LINES = Prepared(
    lambda ids: (
        select(LINE)
        .where(LINE.c.workshop_id == bindparam("workshop"), LINE.c.version_id.in_(ids))
        .order_by(LINE.c.version_id, LINE.c.n)
    ),
    "ids",
)


def latest(connection: Connection, workshop: int, formula: int, on: date | None) -> Row[Any]:
    """The version that was the latest on a day; the first when there was none yet."""
    found = _OF_DAY.first(connection, {"workshop": workshop, "formula": formula, "day": on or date.max})
    assert found is not None, "a formula has a version from the start"
    return found


def version(connection: Connection, workshop: int, formula: int, number: int) -> Row[Any] | None:
    """A version by its number."""
    return connection.execute(
        select(VERSION).where(VERSION.c.workshop_id == workshop, VERSION.c.formula_id == formula, VERSION.c.version == number)
    ).first()


def versions(connection: Connection, workshop: int, formulas: Collection[int]) -> dict[int, list[Row[Any]]]:
    """All versions of these formulas, oldest first."""
    found: dict[int, list[Row[Any]]] = {formula: [] for formula in formulas}
    for row in _VERSIONS.rows(connection, {"workshop": workshop, "ids": sorted(formulas)}) if formulas else ():
        found[row.formula_id].append(row)
    return found


def lines(connection: Connection, workshop: int, version_id: int) -> list[Row[Any]]:
    """The lines of a version, in their order."""
    return lines_of(connection, workshop, [version_id])[version_id]


def lines_of(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, list[Row[Any]]]:
    """The lines of several versions."""
    found: dict[int, list[Row[Any]]] = {id_: [] for id_ in ids}
    for row in _LINES.rows(connection, {"workshop": workshop, "ids": sorted(ids)}) if ids else ():
        found[row.version_id].append(row)
    return found


_LINES_AND_KINDS = Prepared(
    lambda ids: (
        select(LINE, ITEM.c.kind)
        .join(ITEM, (ITEM.c.workshop_id == LINE.c.workshop_id) & (ITEM.c.id == LINE.c.item_id))
        .where(LINE.c.workshop_id == bindparam("workshop"), LINE.c.version_id.in_(ids))
        .order_by(LINE.c.version_id, LINE.c.n)
    ),
    "ids",
)


def lines_and_kinds(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, list[Row[Any]]]:
    """The lines of several versions, each with the kind of its item."""
    found: dict[int, list[Row[Any]]] = {id_: [] for id_ in ids}
    for row in _LINES_AND_KINDS.rows(connection, {"workshop": workshop, "ids": sorted(ids)}) if ids else ():
        found[row.version_id].append(row)
    return found


def add(connection: Connection, workshop: int, values: dict[str, Any], rows: Sequence[dict[str, Any]]) -> None:
    """A version with its lines."""
    connection.execute(insert(VERSION), {**values, "workshop_id": workshop})
    connection.execute(
        insert(LINE),
        [{**row, "n": n, "version_id": values["id"], "workshop_id": workshop} for n, row in enumerate(rows)],
    )


def note(connection: Connection, workshop: int, version_id: int, preservation_note: str | None) -> None:
    """Answer, or open again, the flag on water without preservative for one version."""
    connection.execute(
        update(VERSION)
        .where(VERSION.c.workshop_id == workshop, VERSION.c.id == version_id)
        .values(preservation_note=preservation_note)
    )
