"""Lots: the queries that draws, figures and lists ask."""

from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, and_, bindparam, literal_column, select, update

from service.store.prepared import Prepared, parts
from service.store.tables import Document, Item, Lot

LOT = Lot.__table__  # type: ignore[attr-defined]
DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]

_MINE = LOT.c.workshop_id == bindparam("workshop")
_DRAWN = (  # what a draw looks at, and no more: it reads many
    LOT.c.id, LOT.c.item_id, LOT.c.code, LOT.c.received_on, LOT.c.expires_on, LOT.c.retest_on, LOT.c.opened_on,
    LOT.c.opened_life_days, LOT.c.use_by, LOT.c.ready_on, LOT.c.status, LOT.c.set_apart, LOT.c.quantity, LOT.c.cost_micro,
    LOT.c.estimated, LOT.c.on_hand, LOT.c.cost_left_micro,
)  # fmt: skip
_WITH_STOCK = Prepared(  # a literal, so that the partial index serves (SQLite takes it while it was made last: 0002)
    lambda items: select(*_DRAWN).where(_MINE, LOT.c.item_id.in_(items), LOT.c.on_hand != literal_column("0")), "items"
)
_BY_IDS = Prepared(lambda ids: select(LOT).where(_MINE, LOT.c.id.in_(ids)), "ids")
_WITH_UNBOOKED = Prepared(
    lambda ids: select(LOT.c.id).where(_MINE, LOT.c.id.in_(ids), LOT.c.on_hand != literal_column("0")), "ids"
)


def with_stock(connection: Connection, workshop: int, items: Collection[int]) -> list[Row[Any]]:
    """The lots of these items that hold something (what a draw sees of them), the unbooked lot too where it is not empty."""
    if not items:
        return []
    return _WITH_STOCK.rows(connection, {"workshop": workshop, "items": sorted(items)})


def unbooked(connection: Connection, workshop: int, item: int) -> int:
    """What is unbooked of an item (positive)."""
    found = connection.execute(select(LOT.c.on_hand).where(LOT.c.workshop_id == workshop, LOT.c.id == item)).scalar_one()
    return -int(found)


def with_unbooked(connection: Connection, workshop: int, items: Collection[int]) -> set[int]:
    """Which of these items have something unbooked."""
    return {row.id for row in _WITH_UNBOOKED.rows(connection, {"workshop": workshop, "ids": sorted(items)})}


def of_item(connection: Connection, workshop: int, item: int) -> list[Row[Any]]:
    """Every lot of an item, emptied ones and the unbooked one too."""
    return list(connection.execute(select(LOT).where(LOT.c.workshop_id == workshop, LOT.c.item_id == item)))


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, Row[Any]]:
    """Lots by id."""
    return {row.id: row for some in parts(ids) for row in _BY_IDS.rows(connection, {"workshop": workshop, "ids": some})}


def by_codes(connection: Connection, workshop: int, codes: Collection[str]) -> dict[str, Row[Any]]:
    """Lots by code; the unbooked lot has no code a caller can use."""
    if not codes:
        return {}
    found = connection.execute(
        select(LOT).where(LOT.c.workshop_id == workshop, LOT.c.code.in_(sorted(codes)), LOT.c.id != LOT.c.item_id)
    )
    return {row.code: row for row in found}


def parts_of(connection: Connection, workshop: int, lot: int) -> list[Row[Any]]:
    """The lots that were split off this one."""
    return list(connection.execute(select(LOT).where(LOT.c.workshop_id == workshop, LOT.c.parent_id == lot)))


def newest_cost(connection: Connection, workshop: int, item: int, day: date) -> Row[Any] | None:
    """The newest lot of known cost received by that day, no part of another: what unbooked stock is costed at (law 9)."""
    reversal = DOCUMENT.alias("reversal")
    back = (reversal.c.workshop_id == LOT.c.workshop_id) & (reversal.c.reverses_id == LOT.c.document_id)
    return connection.execute(
        select(LOT)
        .outerjoin(reversal, back)
        .where(
            LOT.c.workshop_id == workshop,
            LOT.c.item_id == item,
            LOT.c.id != LOT.c.item_id,
            LOT.c.parent_id.is_(None),
            LOT.c.cost_micro.is_not(None),
            LOT.c.quantity > 0,
            LOT.c.received_on <= day,
            reversal.c.id.is_(None),
        )
        .order_by(LOT.c.received_on.desc(), LOT.c.code.desc())
        .limit(1)
    ).first()


_OF_DOCUMENTS = Prepared(
    lambda ids: select(LOT).where(_MINE, LOT.c.document_id.in_(ids)).order_by(LOT.c.document_id, LOT.c.id), "ids"
)


def of_document(connection: Connection, workshop: int, document: int) -> list[Row[Any]]:
    """The lots a document made."""
    return of_documents(connection, workshop, [document]).get(document, [])


def of_documents(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, list[Row[Any]]]:
    """The lots that each of these documents made, in their order."""
    found: dict[int, list[Row[Any]]] = {}
    for row in _OF_DOCUMENTS.rows(connection, {"workshop": workshop, "ids": sorted(documents)}) if documents else ():
        found.setdefault(row.document_id, []).append(row)
    return found


_REVERSAL = DOCUMENT.alias("reversal")
_RETURNED = Prepared(
    lambda ids: (
        select(DOCUMENT.c.id, DOCUMENT.c.code, LOT.c.parent_id)
        .join(LOT, (LOT.c.workshop_id == DOCUMENT.c.workshop_id) & (LOT.c.document_id == DOCUMENT.c.id))
        .outerjoin(
            _REVERSAL, (_REVERSAL.c.workshop_id == DOCUMENT.c.workshop_id) & (_REVERSAL.c.reverses_id == DOCUMENT.c.id)
        )
        .where(
            DOCUMENT.c.workshop_id == bindparam("workshop"), DOCUMENT.c.kind == "return", LOT.c.parent_id.in_(ids),
            _REVERSAL.c.id.is_(None),
        )
        .order_by(DOCUMENT.c.id)
    ),
    "ids",
)  # fmt: skip


def returned_of(connection: Connection, workshop: int, lots: Collection[int]) -> list[Row[Any]]:
    """Standing returns of these lots: the paper's `id` and `code`, and the `parent_id` that each came back to."""
    return _RETURNED.rows(connection, {"workshop": workshop, "ids": sorted(lots)}) if lots else []


def shown(
    connection: Connection,
    workshop: int,
    *,
    items: Collection[int] | None = None,
    code: str | None = None,
    status: str | None = None,
    place: str | None = None,
    expires_before: date | None = None,
    empty: bool = False,
    unbooked: bool = False,
    after: str | None = None,
    limit: int | None = None,
) -> list[Row[Any]]:
    """Lots (with `unbooked` the unbooked ones too) with their item's code, kind and unit and document's code, by code."""
    wanted: list[Any] = [LOT.c.workshop_id == workshop]
    if not unbooked:
        wanted.append(LOT.c.id != LOT.c.item_id)
    if items is not None:
        wanted.append(LOT.c.item_id.in_(sorted(items)))
    if code is not None:
        wanted.append(LOT.c.code == code)
    if status is not None:
        wanted.append(LOT.c.status == status)
    if place is not None:
        wanted.append(LOT.c.place == place)
    if expires_before is not None:
        wanted.append(LOT.c.use_by < expires_before)
    if not empty:
        wanted.append(LOT.c.on_hand != 0)
    if after is not None:
        wanted.append(LOT.c.code > after)
    statement = (
        select(
            LOT,
            ITEM.c.code.label("item_code"),
            ITEM.c.kind,
            ITEM.c.unit,
            DOCUMENT.c.code.label("document_code"),
            DOCUMENT.c.kind.label("document_kind"),
        )
        .join(ITEM, and_(ITEM.c.workshop_id == LOT.c.workshop_id, ITEM.c.id == LOT.c.item_id))
        .outerjoin(
            DOCUMENT,
            and_(DOCUMENT.c.workshop_id == LOT.c.workshop_id, DOCUMENT.c.id == LOT.c.document_id),
        )
        .where(*wanted)
        .order_by(LOT.c.code)
    )
    return list(connection.execute(statement.limit(limit) if limit else statement))


def change(connection: Connection, workshop: int, lot: int, values: dict[str, Any]) -> None:
    """Set facts of a lot that are not figures (status, dates, place): never its stock."""
    assert not {"on_hand", "cost_left_micro"} & values.keys()
    connection.execute(update(LOT).where(LOT.c.workshop_id == workshop, LOT.c.id == lot).values(**values))


_RECOST = Prepared(
    update(LOT)
    .where(LOT.c.workshop_id == bindparam("workshop"), LOT.c.id == bindparam("lot"))
    .values(cost_micro=bindparam("cost"), estimated=bindparam("guess"), quantity=bindparam("received"))
)


def recost(connection: Connection, workshop: int, costed: Collection[tuple[int, int | None, bool, int]]) -> None:
    """Set what lots cost, whether that rests on a guess, and how much of each there was at its start."""
    rows = [
        {"workshop": workshop, "lot": lot, "cost": cost, "guess": guess, "received": received}
        for lot, cost, guess, received in costed
    ]
    if rows:
        _RECOST.many(connection, rows)
