"""Suppliers, what they offer, and how long they really took."""

import json
from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, func, insert, or_, select, update

from service.store.tables import Document, Item, Lot, Offer, PurchaseOrder, PurchasePaper, Supplier

DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
OFFER = Offer.__table__  # type: ignore[attr-defined]
ORDER = PurchaseOrder.__table__  # type: ignore[attr-defined]
PAPER = PurchasePaper.__table__  # type: ignore[attr-defined]
SUPPLIER = Supplier.__table__  # type: ignore[attr-defined]

JSONS = ("breaks", "claims", "facts")


def add(connection: Connection, workshop: int, values: dict[str, Any]) -> None:
    """A new supplier."""
    connection.execute(insert(SUPPLIER), {**values, "workshop_id": workshop})


def change(connection: Connection, workshop: int, supplier: int, values: dict[str, Any]) -> None:
    """Change a supplier's facts."""
    connection.execute(update(SUPPLIER).where(SUPPLIER.c.workshop_id == workshop, SUPPLIER.c.id == supplier).values(**values))


def by_code(connection: Connection, workshop: int, code: str) -> Row[Any] | None:
    """A supplier by its code."""
    return connection.execute(select(SUPPLIER).where(SUPPLIER.c.workshop_id == workshop, SUPPLIER.c.code == code)).first()


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, Row[Any]]:
    """Suppliers by id."""
    if not ids:
        return {}
    found = connection.execute(select(SUPPLIER).where(SUPPLIER.c.workshop_id == workshop, SUPPLIER.c.id.in_(sorted(ids))))
    return {row.id: row for row in found}


def page(connection: Connection, workshop: int, after: str | None, limit: int) -> list[Row[Any]]:
    """Suppliers by code, after a code."""
    wanted = [SUPPLIER.c.workshop_id == workshop]
    if after is not None:
        wanted.append(SUPPLIER.c.code > after)
    return list(connection.execute(select(SUPPLIER).where(*wanted).order_by(SUPPLIER.c.code).limit(limit)))


def has_dealings(connection: Connection, workshop: int, supplier: int) -> bool:
    """Whether anything is priced in the supplier's currency."""
    offer = select(OFFER.c.id).where(OFFER.c.workshop_id == workshop, OFFER.c.supplier_id == supplier).limit(1)
    order = select(ORDER.c.id).where(ORDER.c.workshop_id == workshop, ORDER.c.supplier_id == supplier).limit(1)
    return connection.execute(offer).first() is not None or connection.execute(order).first() is not None


def lead_times(connection: Connection, workshop: int, suppliers: Collection[int] | None = None) -> dict[int, list[int]]:
    """Days from placing an order to its first standing receipt, by supplier, oldest receipt first."""
    reversal = DOCUMENT.alias("reversal")
    came = func.min(LOT.c.received_on)
    statement: Any = (
        select(ORDER.c.supplier_id, ORDER.c.id, ORDER.c.placed_on, came.label("came_on"))
        .join(PAPER, (PAPER.c.workshop_id == ORDER.c.workshop_id) & (PAPER.c.order_id == ORDER.c.id))
        .join(LOT, (LOT.c.workshop_id == PAPER.c.workshop_id) & (LOT.c.document_id == PAPER.c.document_id))
        .outerjoin(reversal, (reversal.c.workshop_id == PAPER.c.workshop_id) & (reversal.c.reverses_id == PAPER.c.document_id))
        .where(ORDER.c.workshop_id == workshop, reversal.c.id.is_(None), ORDER.c.placed_on.is_not(None))
        .group_by(ORDER.c.supplier_id, ORDER.c.id, ORDER.c.placed_on)
        .order_by(came, ORDER.c.id)
    )
    if suppliers is not None:
        statement = statement.where(ORDER.c.supplier_id.in_(sorted(suppliers)))
    found: dict[int, list[int]] = {}
    for row in connection.execute(statement):
        if (days := (row.came_on - row.placed_on).days) >= 0:  # a wrong date teaches nothing
            found.setdefault(row.supplier_id, []).append(days)
    return found


def _kept(values: dict[str, Any]) -> dict[str, Any]:
    return {
        name: json.dumps(value, ensure_ascii=False, separators=(",", ":")) if name in JSONS else value
        for name, value in values.items()
    }


def add_offer(connection: Connection, workshop: int, values: dict[str, Any]) -> None:
    """A new offer; `breaks`, `claims` and `facts` are lists and a dictionary."""
    connection.execute(insert(OFFER), {**_kept(values), "workshop_id": workshop})


def change_offer(connection: Connection, workshop: int, offer: int, values: dict[str, Any]) -> None:
    """Change an offer."""
    connection.execute(update(OFFER).where(OFFER.c.workshop_id == workshop, OFFER.c.id == offer).values(**_kept(values)))


def _offers() -> Any:
    item = (ITEM.c.workshop_id == OFFER.c.workshop_id) & (ITEM.c.id == OFFER.c.item_id)
    supplier = (SUPPLIER.c.workshop_id == OFFER.c.workshop_id) & (SUPPLIER.c.id == OFFER.c.supplier_id)
    return (
        select(
            OFFER, ITEM.c.code.label("material"), ITEM.c.name, ITEM.c.unit, SUPPLIER.c.code.label("supplier"),
            SUPPLIER.c.name.label("supplier_name"), SUPPLIER.c.currency, SUPPLIER.c.rate_nano, SUPPLIER.c.delivery_micro,
            SUPPLIER.c.free_from_micro, SUPPLIER.c.smallest_micro,
        )
        .join(ITEM, item)
        .join(SUPPLIER, supplier)
    )  # fmt: skip


def offers_page(
    connection: Connection, workshop: int, supplier: int | None, item: int | None, after: str | None, limit: int
) -> list[Row[Any]]:
    """Offers by code, with their material and supplier."""
    wanted = [OFFER.c.workshop_id == workshop]
    wanted += [OFFER.c.supplier_id == supplier] if supplier is not None else []
    wanted += [OFFER.c.item_id == item] if item is not None else []
    wanted += [OFFER.c.code > after] if after is not None else []
    return list(connection.execute(_offers().where(*wanted).order_by(OFFER.c.code).limit(limit)))


def offers_by_codes(connection: Connection, workshop: int, codes: Collection[str]) -> dict[str, Row[Any]]:
    """Offers by code, with their material and supplier."""
    if not codes:
        return {}
    found = connection.execute(_offers().where(OFFER.c.workshop_id == workshop, OFFER.c.code.in_(sorted(codes))))
    return {row.code: row for row in found}


def later_offers(connection: Connection, workshop: int, day: date) -> list[Row[Any]]:
    """What can be ordered only after that day, of active suppliers, by code."""
    wanted = [OFFER.c.workshop_id == workshop, SUPPLIER.c.active.is_(True), OFFER.c.valid_from > day]
    return list(connection.execute(_offers().where(*wanted).order_by(OFFER.c.code)))


def standing_offers(connection: Connection, workshop: int, day: date) -> list[Row[Any]]:
    """What can be ordered on that day, of active suppliers and materials, by code."""
    wanted = [
        OFFER.c.workshop_id == workshop, SUPPLIER.c.active.is_(True), ITEM.c.active.is_(True), ITEM.c.stocked.is_(True),
        or_(OFFER.c.valid_from.is_(None), OFFER.c.valid_from <= day),
        or_(OFFER.c.valid_until.is_(None), OFFER.c.valid_until >= day),
    ]  # fmt: skip
    return list(connection.execute(_offers().where(*wanted).order_by(OFFER.c.code)))
