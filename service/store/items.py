"""Items: one namespace of codes for ingredients, packaging, bulk and products; and their locks."""

import json
from collections.abc import Collection, Mapping
from datetime import date
from functools import lru_cache
from types import MappingProxyType
from typing import Any, NamedTuple

from sqlalchemy import Connection, bindparam, case, insert, or_, select, update

from service.store.prepared import Prepared
from service.store.tables import Item, Line, Lot

ITEM = Item.__table__  # type: ignore[attr-defined]
LINE = Line.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]


class ItemRow(NamedTuple):
    """An item as acts use it; `facts` is what only people read (inci, function, density ...)."""

    id: int
    code: str
    name: str
    kind: str
    unit: str
    stocked: bool
    active: bool
    shelf_life_days: int | None
    opened_life_days: int | None
    facts: Mapping[str, Any]


_COLUMNS = (
    ITEM.c.id, ITEM.c.code, ITEM.c.name, ITEM.c.kind, ITEM.c.unit, ITEM.c.stocked, ITEM.c.active,
    ITEM.c.shelf_life_days, ITEM.c.opened_life_days, ITEM.c.facts,
)  # fmt: skip


_MINE = ITEM.c.workshop_id == bindparam("workshop")
_BY_CODES = Prepared(lambda codes: select(*_COLUMNS).where(_MINE, ITEM.c.code.in_(codes)), "codes")
_BY_IDS = Prepared(lambda ids: select(*_COLUMNS).where(_MINE, ITEM.c.id.in_(ids)), "ids")


@lru_cache(4096)
def _read(facts: str) -> Mapping[str, Any]:
    """An item's facts; the same text is read once, so they cannot be changed in place."""
    return MappingProxyType(json.loads(facts))


def _row(row: Any) -> ItemRow:
    return ItemRow._make((*row[:-1], _read(row[-1])))


def by_code(connection: Connection, workshop: int, code: str) -> ItemRow | None:
    """An item by its code."""
    return by_codes(connection, workshop, [code]).get(code)


def by_codes(connection: Connection, workshop: int, codes: Collection[str]) -> dict[str, ItemRow]:
    """Items by code."""
    if not codes:
        return {}
    found = _BY_CODES.rows(connection, {"workshop": workshop, "codes": sorted(codes)})
    return {row.code: _row(row) for row in found}


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, ItemRow]:
    """Items by id."""
    if not ids:
        return {}
    found = _BY_IDS.rows(connection, {"workshop": workshop, "ids": sorted(ids)})
    return {row.id: _row(row) for row in found}


def on_paper(connection: Connection, workshop: int, item: int) -> bool:
    """Whether any paper has a line of an item."""
    wanted = (LINE.c.workshop_id == workshop) & (LINE.c.item_id == item)
    return connection.execute(select(LINE.c.n).where(wanted).limit(1)).first() is not None


def unstocked(connection: Connection, workshop: int) -> frozenset[int]:
    """Items that are never short, as tap water."""
    wanted = (ITEM.c.workshop_id == workshop) & ITEM.c.stocked.is_(False)
    return frozenset(row.id for row in connection.execute(select(ITEM.c.id).where(wanted)))


def page(connection: Connection, workshop: int, kinds: Collection[str], after: str | None, limit: int) -> list[ItemRow]:
    """Items of these kinds by code, after a code."""
    wanted = [ITEM.c.workshop_id == workshop, ITEM.c.kind.in_(sorted(kinds))]
    if after is not None:
        wanted.append(ITEM.c.code > after)
    found = connection.execute(select(*_COLUMNS).where(*wanted).order_by(ITEM.c.code).limit(limit))
    return [_row(row) for row in found]


def add(connection: Connection, workshop: int, item: ItemRow) -> None:
    """A new item and its unbooked lot, which has the item's id."""
    values = item._asdict() | {"facts": json.dumps(dict(item.facts), ensure_ascii=False), "workshop_id": workshop}
    connection.execute(insert(ITEM), {**values, "papers": 0, "latest": 0, "before": 0, "counted_on": None, "redrawn": True})
    unbooked = {
        "workshop_id": workshop, "id": item.id, "item_id": item.id, "code": f"~{item.code}",
        "received_on": date(2000, 1, 1), "made": False, "expires_assumed": False, "use_by": date(9999, 12, 31),
        "status": "released", "opened_by_hand": False, "set_apart": False,
        "quantity": 0, "estimated": False, "on_hand": 0, "cost_left_micro": 0,
    }  # fmt: skip
    connection.execute(insert(LOT), unbooked)


def change(connection: Connection, workshop: int, item: int, values: dict[str, Any]) -> None:
    """Change an item's facts."""
    if "facts" in values:
        values = values | {"facts": json.dumps(values["facts"], ensure_ascii=False)}
    connection.execute(update(ITEM).where(ITEM.c.workshop_id == workshop, ITEM.c.id == item).values(**values))


class Locked(NamedTuple):
    """An item under its lock: its order of recording, the rank of its latest paper before, the day of its last count."""

    paper: int
    before: int
    counted_on: date | None


_RAISE = Prepared(
    lambda items: (
        update(ITEM)
        .values(
            papers=ITEM.c.papers + 1,
            before=ITEM.c.latest,
            latest=case((ITEM.c.latest < bindparam("rank"), bindparam("rank")), else_=ITEM.c.latest),
        )
        .where(_MINE, ITEM.c.id.in_(items))
        .returning(ITEM.c.id, ITEM.c.papers, ITEM.c.before, ITEM.c.counted_on)
    ),
    "items",
)


def lock(connection: Connection, workshop: int, ids: Collection[int], rank: int = 0) -> dict[int, Locked]:
    """Lock items in the order of their ids, raise their order of recording and their latest rank."""
    if not ids:
        return {}
    if connection.dialect.name == "postgresql":
        mine = [ITEM.c.workshop_id == workshop, ITEM.c.id.in_(sorted(ids))]
        connection.execute(select(ITEM.c.id).where(*mine).order_by(ITEM.c.id).with_for_update(key_share=True)).all()
    raised = _RAISE.rows(connection, {"workshop": workshop, "items": sorted(ids), "rank": rank})
    return {row.id: Locked(row.papers, row.before, row.counted_on) for row in raised}


def raise_latest(connection: Connection, workshop: int, ids: Collection[int], rank: int) -> None:
    """Note the rank of the paper that holds these items, where it is later than what they have seen."""
    mine = (ITEM.c.workshop_id == workshop) & ITEM.c.id.in_(sorted(ids)) & (ITEM.c.latest < rank)
    connection.execute(update(ITEM).where(mine).values(latest=rank))


def counted(connection: Connection, workshop: int, item: int, day: date) -> None:
    """Note the day of an item's last count."""
    later = (ITEM.c.counted_on.is_(None)) | (ITEM.c.counted_on < day)
    connection.execute(update(ITEM).where(ITEM.c.workshop_id == workshop, ITEM.c.id == item, later).values(counted_on=day))


def unbooked(connection: Connection, workshop: int, item: int, since: date) -> None:
    """Note the first day of a draw that waited for a lot."""
    earlier = or_(ITEM.c.unbooked_since.is_(None), ITEM.c.unbooked_since > since)
    wanted = (ITEM.c.workshop_id == workshop) & (ITEM.c.id == item)
    connection.execute(update(ITEM).where(wanted, earlier).values(unbooked_since=since))


def older(connection: Connection, workshop: int) -> list[int]:
    """Items of older books that were not drawn again yet."""
    wanted = (ITEM.c.workshop_id == workshop) & ITEM.c.redrawn.is_(False)
    return [row.id for row in connection.execute(select(ITEM.c.id).where(wanted).order_by(ITEM.c.id))]


def drawn_again(connection: Connection, workshop: int, item: int) -> None:
    """Note that an item of older books is drawn again."""
    connection.execute(update(ITEM).where(ITEM.c.workshop_id == workshop, ITEM.c.id == item).values(redrawn=True))
