"""Purchase orders, what standing receipts brought of them, and deliveries."""

import json
from collections.abc import Collection, Iterator, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, bindparam, case, delete, func, insert, literal_column, select, update

from service.store.prepared import Prepared
from service.store.tables import Delivery, Document, Item, Lot, Offer, PurchaseLine, PurchaseOrder, PurchasePaper, Supplier

DELIVERY = Delivery.__table__  # type: ignore[attr-defined]
DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
LINE = PurchaseLine.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
OFFER = Offer.__table__  # type: ignore[attr-defined]
ORDER = PurchaseOrder.__table__  # type: ignore[attr-defined]
PAPER = PurchasePaper.__table__  # type: ignore[attr-defined]
SUPPLIER = Supplier.__table__  # type: ignore[attr-defined]

WORKSHOP: Any = bindparam("workshop")
AWAITED = ("placed", "partly_received")
_IS_AWAITED = ORDER.c.state.in_([literal_column(f"'{state}'") for state in AWAITED])  # so that the partial index serves


def _text(facts: dict[str, Any]) -> str:
    return json.dumps(facts, ensure_ascii=False, separators=(",", ":"), default=str)


def add(connection: Connection, workshop: int, values: dict[str, Any], lines: Sequence[dict[str, Any]]) -> None:
    """A purchase order and its lines."""
    connection.execute(insert(ORDER), {**values, "facts": _text(values["facts"]), "workshop_id": workshop})
    _add_lines(connection, workshop, values["id"], lines)


def _add_lines(connection: Connection, workshop: int, order: int, lines: Sequence[dict[str, Any]]) -> None:
    rows = [
        {**line, "facts": _text(line["facts"]), "closed": False, "n": n, "order_id": order, "workshop_id": workshop}
        for n, line in enumerate(lines, 1)
    ]
    connection.execute(insert(LINE), rows)


def restate(connection: Connection, workshop: int, order: int, lines: Sequence[dict[str, Any]]) -> None:
    """Other lines, while it is a draft."""
    connection.execute(delete(LINE).where(LINE.c.workshop_id == workshop, LINE.c.order_id == order))
    _add_lines(connection, workshop, order, lines)


def change(connection: Connection, workshop: int, order: int, values: dict[str, Any]) -> None:
    """Change a purchase order's facts or state."""
    if "facts" in values:
        values = values | {"facts": _text(values["facts"])}
    connection.execute(update(ORDER).where(ORDER.c.workshop_id == workshop, ORDER.c.id == order).values(**values))


def close(connection: Connection, workshop: int, order: int, closed: Collection[int]) -> None:
    """Note which lines a person closed; the others are open again."""
    mine = (LINE.c.workshop_id == workshop) & (LINE.c.order_id == order)
    connection.execute(update(LINE).where(mine).values(closed=LINE.c.n.in_(sorted(closed))))


def by_code(connection: Connection, workshop: int, code: str, lock: bool = False) -> Row[Any] | None:
    """A purchase order by its code; `lock` holds it until the end of the act."""
    statement = select(ORDER).where(ORDER.c.workshop_id == workshop, ORDER.c.code == code)
    return connection.execute(statement.with_for_update(key_share=True) if lock else statement).first()


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, Row[Any]]:
    """Purchase orders by id."""
    if not ids:
        return {}
    found = connection.execute(select(ORDER).where(ORDER.c.workshop_id == workshop, ORDER.c.id.in_(sorted(ids))))
    return {row.id: row for row in found}


def page(
    connection: Connection, workshop: int, after: int | None, limit: int, state: str | None, supplier: int | None,
    item: int | None, expected_before: date | None,
) -> list[Row[Any]]:  # fmt: skip
    """Purchase orders, newest first; `expected_before` names those that are awaited from an earlier day."""
    told = [ORDER.c.workshop_id == workshop]
    told += [ORDER.c.state == state] if state is not None else []
    told += [ORDER.c.supplier_id == supplier] if supplier is not None else []
    told += [ORDER.c.id < after] if after is not None else []
    if expected_before is not None:
        told += [_IS_AWAITED, ORDER.c.expected_on < expected_before]
    if item is not None:
        mine = select(LINE.c.order_id).where(LINE.c.workshop_id == workshop, LINE.c.item_id == item)
        told.append(ORDER.c.id.in_(mine))
    return list(connection.execute(select(ORDER).where(*told).order_by(ORDER.c.id.desc()).limit(limit)))


def lines(connection: Connection, workshop: int, orders: Collection[int]) -> dict[int, list[Row[Any]]]:
    """The lines of these orders in their order, with material and offer."""
    found: dict[int, list[Row[Any]]] = {order: [] for order in orders}
    if not orders:
        return found
    statement: Any = (
        select(LINE, ITEM.c.code, ITEM.c.name, ITEM.c.unit, OFFER.c.code.label("offer"))
        .join(ITEM, (ITEM.c.workshop_id == LINE.c.workshop_id) & (ITEM.c.id == LINE.c.item_id))
        .outerjoin(OFFER, (OFFER.c.workshop_id == LINE.c.workshop_id) & (OFFER.c.id == LINE.c.offer_id))
        .where(LINE.c.workshop_id == workshop, LINE.c.order_id.in_(sorted(orders)))
        .order_by(LINE.c.order_id, LINE.c.n)
    )
    for row in connection.execute(statement):
        found[row.order_id].append(row)
    return found


def _came() -> Any:
    """What standing receipts brought, by order and line: `quantity`, and whether one `closes` the line."""
    reversal = DOCUMENT.alias("reversal")
    statement: Any = (
        select(
            PAPER.c.order_id, PAPER.c.line, func.sum(LOT.c.quantity).label("quantity"),
            func.max(case((PAPER.c.closes, 1), else_=0)).label("closes"),
        )
        .join(LOT, (LOT.c.workshop_id == PAPER.c.workshop_id) & (LOT.c.document_id == PAPER.c.document_id))
        .outerjoin(reversal, (reversal.c.workshop_id == PAPER.c.workshop_id) & (reversal.c.reverses_id == PAPER.c.document_id))
        .where(PAPER.c.workshop_id == WORKSHOP, PAPER.c.order_id.is_not(None), reversal.c.id.is_(None))
        .group_by(PAPER.c.order_id, PAPER.c.line)
    )  # fmt: skip
    return statement


def came(connection: Connection, workshop: int, orders: Collection[int]) -> dict[tuple[int, int], tuple[int, bool]]:
    """What standing receipts brought, by order and line: quantity, and whether no more is awaited."""
    if not orders:
        return {}
    found = connection.execute(_came().where(PAPER.c.order_id.in_(sorted(orders))), {"workshop": workshop})
    return {(row.order_id, row.line): (int(row.quantity), bool(row.closes)) for row in found}


def awaited(connection: Connection, workshop: int, expected_before: date | None = None) -> list[Row[Any]]:
    """Orders that are placed and not all there, with their suppliers (`supplier`, `supplier_name`), soonest expected first."""
    wanted = [ORDER.c.workshop_id == workshop, _IS_AWAITED]
    wanted += [ORDER.c.expected_on < expected_before] if expected_before is not None else []
    supplier = (SUPPLIER.c.workshop_id == ORDER.c.workshop_id) & (SUPPLIER.c.id == ORDER.c.supplier_id)
    statement: Any = (
        select(ORDER, SUPPLIER.c.code.label("supplier"), SUPPLIER.c.name.label("supplier_name"))
        .join(SUPPLIER, supplier)
        .where(*wanted)
        .order_by(ORDER.c.expected_on, ORDER.c.id)
    )
    return list(connection.execute(statement))


def _awaited_lines() -> Any:
    placed = select(ORDER.c.id).where(ORDER.c.workshop_id == WORKSHOP, _IS_AWAITED)
    found = _came().where(PAPER.c.order_id.in_(placed)).subquery("came")
    left = LINE.c.packs * LINE.c.pack - func.coalesce(found.c.quantity, 0)
    wanted = [ORDER.c.workshop_id == WORKSHOP, _IS_AWAITED, LINE.c.closed.is_(False), left > 0]
    wanted += [func.coalesce(found.c.closes, 0) == 0]
    return (
        select(
            ORDER.c.id, ORDER.c.code, ORDER.c.supplier_id, ORDER.c.placed_on, ORDER.c.expected_on,
            ORDER.c.facts.label("order_facts"), LINE.c.n, LINE.c.item_id, OFFER.c.life_days, left.label("left"),
        )
        .join(LINE, (LINE.c.workshop_id == ORDER.c.workshop_id) & (LINE.c.order_id == ORDER.c.id))
        .outerjoin(OFFER, (OFFER.c.workshop_id == LINE.c.workshop_id) & (OFFER.c.id == LINE.c.offer_id))
        .outerjoin(found, (found.c.order_id == LINE.c.order_id) & (found.c.line == LINE.c.n))
        .where(*wanted)
        .order_by(ORDER.c.expected_on, ORDER.c.id, LINE.c.n)
    )  # fmt: skip


_AWAITED_LINES = Prepared(_awaited_lines())


def awaited_lines(connection: Connection, workshop: int, items: Collection[int] | None = None) -> list[Row[Any]]:
    """What is still to come of placed orders: the order's `code`, `supplier_id`, days and `order_facts`; the line's `n`,
    `item_id`, `life_days` and the quantity `left`; soonest expected first."""
    if items is None:
        return _AWAITED_LINES.rows(connection, {"workshop": workshop})
    statement = _AWAITED_LINES.statement.where(LINE.c.item_id.in_(sorted(items)))
    return list(connection.execute(statement, {"workshop": workshop}))


def _states() -> Any:
    found = _came().subquery("came")
    return (
        select(ORDER.c.code, ORDER.c.state, LINE.c.packs, LINE.c.pack, LINE.c.closed, found.c.quantity, found.c.closes)
        .join(LINE, (LINE.c.workshop_id == ORDER.c.workshop_id) & (LINE.c.order_id == ORDER.c.id))
        .outerjoin(found, (found.c.order_id == LINE.c.order_id) & (found.c.line == LINE.c.n))
        .where(ORDER.c.workshop_id == WORKSHOP, ORDER.c.state.not_in(("draft", "cancelled")))
        .order_by(ORDER.c.id)
    )


_STATES = _states()


def states(connection: Connection, workshop: int) -> Iterator[Any]:
    """Every placed order (not a draft, not cancelled) beside its lines and what came of them, for `verify`."""
    yield from connection.execution_options(yield_per=1000).execute(_STATES, {"workshop": workshop})


def link(
    connection: Connection, workshop: int, document: int, order: int | None, line: int | None, delivery: int | None, closes: bool
) -> None:
    """Note which line of which order, and which delivery, a receipt belongs to."""
    values = {"workshop_id": workshop, "document_id": document, "order_id": order, "line": line, "delivery_id": delivery}
    connection.execute(insert(PAPER), {**values, "closes": closes})


def of_receipt(connection: Connection, workshop: int, document: int) -> Row[Any] | None:
    """The purchase order that a receipt is for, if any."""
    statement: Any = (
        select(ORDER)
        .join(PAPER, (PAPER.c.workshop_id == ORDER.c.workshop_id) & (PAPER.c.order_id == ORDER.c.id))
        .where(ORDER.c.workshop_id == workshop, PAPER.c.document_id == document)
    )
    found: Row[Any] | None = connection.execute(statement).first()
    return found


def receipts(connection: Connection, workshop: int, orders: Collection[int]) -> list[Row[Any]]:
    """The standing receipts of these orders, oldest first: `order_id`, `line`, `code`."""
    if not orders:
        return []
    reversal = DOCUMENT.alias("reversal")
    statement: Any = (
        select(PAPER.c.order_id, PAPER.c.line, DOCUMENT.c.code)
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == PAPER.c.workshop_id) & (DOCUMENT.c.id == PAPER.c.document_id))
        .outerjoin(reversal, (reversal.c.workshop_id == PAPER.c.workshop_id) & (reversal.c.reverses_id == PAPER.c.document_id))
        .where(PAPER.c.workshop_id == workshop, PAPER.c.order_id.in_(sorted(orders)), reversal.c.id.is_(None))
        .order_by(DOCUMENT.c.id)
    )
    return list(connection.execute(statement))


def deliveries_of(connection: Connection, workshop: int, orders: Collection[int]) -> list[Row[Any]]:
    """The deliveries of these orders, oldest first."""
    if not orders:
        return []
    wanted = (DELIVERY.c.workshop_id == workshop) & DELIVERY.c.order_id.in_(sorted(orders))
    return list(connection.execute(select(DELIVERY).where(wanted).order_by(DELIVERY.c.id)))


def add_delivery(connection: Connection, workshop: int, values: dict[str, Any]) -> None:
    """A delivery, as it was answered."""
    connection.execute(insert(DELIVERY), {**values, "facts": _text(values["facts"]), "workshop_id": workshop})


def keep_answer(connection: Connection, workshop: int, delivery: int, answer: dict[str, Any]) -> None:
    """What was answered to a delivery that was just added."""
    mine = (DELIVERY.c.workshop_id == workshop) & (DELIVERY.c.id == delivery)
    connection.execute(update(DELIVERY).where(mine).values(facts=_text(answer)))


def delivery_by_code(connection: Connection, workshop: int, code: str) -> Row[Any] | None:
    """A delivery by its code."""
    return connection.execute(select(DELIVERY).where(DELIVERY.c.workshop_id == workshop, DELIVERY.c.code == code)).first()


def deliveries_page(connection: Connection, workshop: int, supplier: int | None, after: int | None, limit: int) -> list[Row[Any]]:
    """Deliveries, newest first; `after` is the last id seen."""
    wanted = [DELIVERY.c.workshop_id == workshop]
    wanted += [DELIVERY.c.supplier_id == supplier] if supplier is not None else []
    wanted += [DELIVERY.c.id < after] if after is not None else []
    return list(connection.execute(select(DELIVERY).where(*wanted).order_by(DELIVERY.c.id.desc()).limit(limit)))


def _receipts_of_deliveries(reversed_: bool) -> Any:
    """The receipts of deliveries that are, or are not, reversed: columns `receipt` and `delivery`, both codes."""
    reversal = DOCUMENT.alias("reversal")
    statement: Any = (
        select(DOCUMENT.c.code.label("receipt"), DELIVERY.c.code.label("delivery"))
        .join(PAPER, (PAPER.c.workshop_id == DELIVERY.c.workshop_id) & (PAPER.c.delivery_id == DELIVERY.c.id))
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == PAPER.c.workshop_id) & (DOCUMENT.c.id == PAPER.c.document_id))
        .outerjoin(reversal, (reversal.c.workshop_id == PAPER.c.workshop_id) & (reversal.c.reverses_id == PAPER.c.document_id))
        .where(reversal.c.id.is_not(None) if reversed_ else reversal.c.id.is_(None))
        .order_by(DELIVERY.c.id)
    )
    return statement


def reversed_of(connection: Connection, workshop: int, deliveries: Collection[int]) -> set[str]:
    """The codes of reversed receipts of these deliveries."""
    wanted = (DELIVERY.c.workshop_id == workshop) & DELIVERY.c.id.in_(sorted(deliveries))
    return {row.receipt for row in connection.execute(_receipts_of_deliveries(True).where(wanted))} if deliveries else set()


def standing_with_note(connection: Connection, workshop: int, supplier: int, number: str) -> list[str]:
    """The codes of a supplier's deliveries of this note number of which a receipt stands."""
    wanted = (DELIVERY.c.workshop_id == workshop) & (DELIVERY.c.supplier_id == supplier) & (DELIVERY.c.note_number == number)
    return list(dict.fromkeys(row.delivery for row in connection.execute(_receipts_of_deliveries(False).where(wanted))))
