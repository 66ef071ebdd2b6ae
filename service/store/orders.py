"""Orders, their lines, and what papers shipped of them or brought back."""

from collections.abc import Collection, Iterator, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection, Row, bindparam, case, delete, func, insert, literal_column, select, update

from service.core.making.claims import Order as OpenOrder
from service.store.prepared import Prepared
from service.store.tables import Customer, Document, Item, Line, Lot, NamedLot, Order, OrderLine, OrderPaper
from service.store.written import written

CUSTOMER = Customer.__table__  # type: ignore[attr-defined]
DOCUMENT = Document.__table__  # type: ignore[attr-defined]
ITEM = Item.__table__  # type: ignore[attr-defined]
LINE = Line.__table__  # type: ignore[attr-defined]
LOT = Lot.__table__  # type: ignore[attr-defined]
NAMED_LOT = NamedLot.__table__  # type: ignore[attr-defined]
ORDER = Order.__table__  # type: ignore[attr-defined]
ORDER_LINE = OrderLine.__table__  # type: ignore[attr-defined]
ORDER_PAPER = OrderPaper.__table__  # type: ignore[attr-defined]

_IS_OPEN = ORDER.c.state.in_([literal_column("'open'"), literal_column("'partly_shipped'")])  # so that the partial index serves


def add(connection: Connection, workshop: int, values: dict[str, Any], lines: Sequence[dict[str, Any]]) -> None:
    """An order and its lines."""
    facts = written(values["facts"])
    connection.execute(insert(ORDER), {**values, "facts": facts, "workshop_id": workshop})
    _add_lines(connection, workshop, values["id"], lines)


def _add_lines(connection: Connection, workshop: int, order: int, lines: Sequence[dict[str, Any]]) -> None:
    rows = [{"imported": False, **line, "n": n, "order_id": order, "workshop_id": workshop} for n, line in enumerate(lines, 1)]
    connection.execute(insert(ORDER_LINE), rows)


def restate(connection: Connection, workshop: int, order: int, lines: Sequence[dict[str, Any]]) -> None:
    """Other lines, while nothing is shipped."""
    connection.execute(delete(ORDER_LINE).where(ORDER_LINE.c.workshop_id == workshop, ORDER_LINE.c.order_id == order))
    _add_lines(connection, workshop, order, lines)


def change(connection: Connection, workshop: int, order: int, values: dict[str, Any]) -> None:
    """Change an order's facts or state."""
    if "facts" in values:
        values = values | {"facts": written(values["facts"])}
    connection.execute(update(ORDER).where(ORDER.c.workshop_id == workshop, ORDER.c.id == order).values(**values))


def by_reference(connection: Connection, workshop: int, reference: str, lock: bool = False) -> Row[Any] | None:
    """An order by its reference; `lock` holds it until the end of the act."""
    statement = select(ORDER).where(ORDER.c.workshop_id == workshop, ORDER.c.reference == reference)
    return connection.execute(statement.with_for_update(key_share=True) if lock else statement).first()


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, Row[Any]]:
    """Orders by id."""
    if not ids:
        return {}
    found = connection.execute(select(ORDER).where(ORDER.c.workshop_id == workshop, ORDER.c.id.in_(sorted(ids))))
    return {row.id: row for row in found}


def page(
    connection: Connection, workshop: int, after: int | None, limit: int, **wanted: str | None
) -> list[Row[Any]]:  # fmt: skip
    """Orders, newest first; `after` is the last id seen, `wanted` a state, channel or customer."""
    told = [ORDER.c.workshop_id == workshop]
    told += [ORDER.c[name] == value for name, value in wanted.items() if value is not None]
    if after is not None:
        told.append(ORDER.c.id < after)
    return list(connection.execute(select(ORDER).where(*told).order_by(ORDER.c.id.desc()).limit(limit)))


def lines(connection: Connection, workshop: int, orders: Collection[int]) -> dict[int, list[Row[Any]]]:
    """The lines of these orders with their products' codes and names, in their order."""
    found: dict[int, list[Row[Any]]] = {order: [] for order in orders}
    if not orders:
        return found
    statement: Any = (
        select(ORDER_LINE, ITEM.c.code, ITEM.c.name)
        .join(ITEM, (ITEM.c.workshop_id == ORDER_LINE.c.workshop_id) & (ITEM.c.id == ORDER_LINE.c.item_id))
        .where(ORDER_LINE.c.workshop_id == workshop, ORDER_LINE.c.order_id.in_(sorted(orders)))
        .order_by(ORDER_LINE.c.order_id, ORDER_LINE.c.n)
    )
    for row in connection.execute(statement):
        found[row.order_id].append(row)
    return found


def _moved(kind: str, *columns: Any) -> Any:
    """Units that standing papers of a kind (`shipment`, `return`) moved of orders."""
    reversal = DOCUMENT.alias("reversal")
    statement: Any = (
        select(*columns, func.coalesce(func.sum(func.abs(LINE.c.quantity)), 0).label("moved"))
        .select_from(ORDER_PAPER)
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == ORDER_PAPER.c.workshop_id) & (DOCUMENT.c.id == ORDER_PAPER.c.document_id))
        .join(
            LINE,
            (LINE.c.workshop_id == ORDER_PAPER.c.workshop_id) & (LINE.c.document_id == ORDER_PAPER.c.document_id)
            & (LINE.c.n == ORDER_PAPER.c.n),
        )
        .outerjoin(reversal, (reversal.c.workshop_id == DOCUMENT.c.workshop_id) & (reversal.c.reverses_id == DOCUMENT.c.id))
        .where(ORDER_PAPER.c.workshop_id == bindparam("workshop"), DOCUMENT.c.kind == kind, reversal.c.id.is_(None))
    )  # fmt: skip
    return statement


def moved(connection: Connection, workshop: int, orders: Collection[int], kind: str) -> dict[tuple[int, int], int]:
    """Units that standing papers of a kind (`shipment`, `return`) moved, by order and line."""
    if not orders:
        return {}
    mine = ORDER_PAPER.c.order_id.in_(sorted(orders))
    columns = ORDER_PAPER.c.order_id, ORDER_PAPER.c.line
    found = connection.execute(_moved(kind, *columns).where(mine).group_by(*columns), {"workshop": workshop})
    return {(row.order_id, row.line): int(row.moved) for row in found}


def link(connection: Connection, workshop: int, order: int, document: int, of: Sequence[int]) -> None:
    """A paper's lines, each with the order's line it is for."""
    rows = [
        {"workshop_id": workshop, "order_id": order, "document_id": document, "n": n, "line": line} for n, line in enumerate(of)
    ]
    connection.execute(insert(ORDER_PAPER), rows)


def papers(connection: Connection, workshop: int, orders: Collection[int]) -> list[Row[Any]]:
    """The standing papers of these orders: `order_id`, `code`, `kind`."""
    if not orders:
        return []
    reversal = DOCUMENT.alias("reversal")
    statement: Any = (
        select(ORDER_PAPER.c.order_id, DOCUMENT.c.id, DOCUMENT.c.code, DOCUMENT.c.kind)
        .distinct()
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == ORDER_PAPER.c.workshop_id) & (DOCUMENT.c.id == ORDER_PAPER.c.document_id))
        .outerjoin(reversal, (reversal.c.workshop_id == DOCUMENT.c.workshop_id) & (reversal.c.reverses_id == DOCUMENT.c.id))
        .where(ORDER_PAPER.c.workshop_id == workshop, ORDER_PAPER.c.order_id.in_(sorted(orders)), reversal.c.id.is_(None))
        .order_by(DOCUMENT.c.id)
    )
    return list(connection.execute(statement))


def of_papers(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, Row[Any]]:
    """The order of each of these papers."""
    if not documents:
        return {}
    statement: Any = (
        select(ORDER, ORDER_PAPER.c.document_id)
        .join(ORDER_PAPER, (ORDER_PAPER.c.workshop_id == ORDER.c.workshop_id) & (ORDER_PAPER.c.order_id == ORDER.c.id))
        .where(ORDER.c.workshop_id == workshop, ORDER_PAPER.c.document_id.in_(sorted(documents)))
    )
    return {row.document_id: row for row in connection.execute(statement)}


_ANY_OPEN = Prepared(
    select(ORDER.c.id)
    .where(ORDER.c.workshop_id == bindparam("workshop"), _IS_OPEN)
    .limit(1)
    .with_hint(ORDER, "INDEXED BY ix_order_open", "sqlite")
)


def lines_of_papers(connection: Connection, workshop: int, documents: Collection[int]) -> dict[int, list[Row[Any]]]:
    """The lines of these papers in their order, each with the unit price of the order's line."""
    found: dict[int, list[Row[Any]]] = {document: [] for document in documents}
    if not documents:
        return found
    statement: Any = (
        select(LINE.c.document_id, LINE.c.n, LINE.c.item_id, LINE.c.quantity, ORDER_LINE.c.unit_price_micro)
        .join(
            ORDER_PAPER,
            (ORDER_PAPER.c.workshop_id == LINE.c.workshop_id) & (ORDER_PAPER.c.document_id == LINE.c.document_id)
            & (ORDER_PAPER.c.n == LINE.c.n),
        )
        .join(
            ORDER_LINE,
            (ORDER_LINE.c.workshop_id == ORDER_PAPER.c.workshop_id) & (ORDER_LINE.c.order_id == ORDER_PAPER.c.order_id)
            & (ORDER_LINE.c.n == ORDER_PAPER.c.line),
        )
        .where(LINE.c.workshop_id == workshop, LINE.c.document_id.in_(sorted(documents)))
        .order_by(LINE.c.document_id, LINE.c.n)
    )  # fmt: skip
    for row in connection.execute(statement):
        found[row.document_id].append(row)
    return found


def _states() -> Any:
    columns = ORDER_PAPER.c.order_id, ORDER_PAPER.c.line
    gone = _moved("shipment", *columns).group_by(*columns).subquery()
    return (
        select(ORDER.c.reference, ORDER.c.state, ORDER_LINE.c.units, ORDER_LINE.c.imported, gone.c.moved)
        .join(ORDER_LINE, (ORDER_LINE.c.workshop_id == ORDER.c.workshop_id) & (ORDER_LINE.c.order_id == ORDER.c.id))
        .outerjoin(gone, (gone.c.order_id == ORDER_LINE.c.order_id) & (gone.c.line == ORDER_LINE.c.n))
        .where(ORDER.c.workshop_id == bindparam("workshop"), ORDER.c.state != "cancelled")
        .order_by(ORDER.c.id)
    )


_STATES = _states()


def states(connection: Connection, workshop: int) -> Iterator[Any]:
    """Every order that is not cancelled beside its lines and what standing shipments took of them, for `verify`."""
    yield from connection.execution_options(yield_per=1000).execute(_STATES, {"workshop": workshop})


Named = dict[tuple[int, int], list[tuple[int, int | None]]]  # document, line -> lot, units


def named(connection: Connection, workshop: int, documents: Collection[int]) -> Named:
    """The lots that these papers name (they are never stated anew)."""
    found: Named = {}
    wanted = (NAMED_LOT.c.workshop_id == workshop) & NAMED_LOT.c.document_id.in_(sorted(documents))
    statement = select(NAMED_LOT).where(wanted).order_by(NAMED_LOT.c.document_id, NAMED_LOT.c.n, NAMED_LOT.c.k)
    for row in connection.execute(statement) if documents else ():
        found.setdefault((row.document_id, row.n), []).append((row.lot_id, row.quantity))
    return found


def shipments_naming(connection: Connection, workshop: int, lots: Collection[int]) -> list[Row[Any]]:
    """Standing shipments that name these lots: `lot_id`, `lot`, and the paper's `code`, `happened_on`, `facts`."""
    if not lots:
        return []
    reversal = DOCUMENT.alias("reversal")
    statement: Any = (
        select(NAMED_LOT.c.lot_id, LOT.c.code.label("lot"), DOCUMENT.c.code, DOCUMENT.c.happened_on, DOCUMENT.c.facts)
        .join(DOCUMENT, (DOCUMENT.c.workshop_id == NAMED_LOT.c.workshop_id) & (DOCUMENT.c.id == NAMED_LOT.c.document_id))
        .join(LOT, (LOT.c.workshop_id == NAMED_LOT.c.workshop_id) & (LOT.c.id == NAMED_LOT.c.lot_id))
        .outerjoin(reversal, (reversal.c.workshop_id == DOCUMENT.c.workshop_id) & (reversal.c.reverses_id == DOCUMENT.c.id))
        .where(
            NAMED_LOT.c.workshop_id == workshop, NAMED_LOT.c.lot_id.in_(sorted(lots)), DOCUMENT.c.kind == "shipment",
            reversal.c.id.is_(None),
        )
        .order_by(DOCUMENT.c.id, NAMED_LOT.c.n)
    )  # fmt: skip
    return list(connection.execute(statement))


def any_open(connection: Connection, workshop: int) -> bool:
    """Whether an order is open."""
    return _ANY_OPEN.first(connection, {"workshop": workshop}) is not None


_OF_LINE = (
    _moved("shipment")
    .where(
        ORDER_PAPER.c.workshop_id == ORDER.c.workshop_id, ORDER_PAPER.c.order_id == ORDER.c.id,
        ORDER_PAPER.c.workshop_id == ORDER_LINE.c.workshop_id, ORDER_PAPER.c.line == ORDER_LINE.c.n,
    )
    .correlate(ORDER, ORDER_LINE).scalar_subquery()
)  # fmt: skip
_OPEN_ORDER = ORDER.alias("open_order")
_OPEN_IDS = (
    select(_OPEN_ORDER.c.id)
    .where(
        _OPEN_ORDER.c.workshop_id == bindparam("workshop"),
        _OPEN_ORDER.c.state.in_([literal_column("'open'"), literal_column("'partly_shipped'")]),
    )
    .with_hint(_OPEN_ORDER, "INDEXED BY ix_order_open", "sqlite")  # the planner may take an index that reads all history too
)
_OPEN_ORDERS = Prepared(
    select(
        ORDER.c.id, ORDER.c.reference, ORDER.c.placed_on, ORDER.c.due_on, CUSTOMER.c.transit_days, CUSTOMER.c.min_life_days,
        ORDER_LINE.c.item_id, ORDER_LINE.c.units, case((ORDER.c.state == "partly_shipped", _OF_LINE), else_=0).label("gone"),
    )
    .join(ORDER_LINE, (ORDER_LINE.c.workshop_id == ORDER.c.workshop_id) & (ORDER_LINE.c.order_id == ORDER.c.id))
    .outerjoin(CUSTOMER, (CUSTOMER.c.workshop_id == ORDER.c.workshop_id) & (CUSTOMER.c.customer == ORDER.c.customer))
    .where(ORDER.c.workshop_id == bindparam("workshop"), ORDER.c.id.in_(_OPEN_IDS), ORDER_LINE.c.imported.is_(False))
    .order_by(ORDER.c.id, ORDER_LINE.c.n)
)  # fmt: skip


def open_orders(connection: Connection, workshop: int) -> list[OpenOrder]:
    """Open orders with what is still to be shipped and their customers' terms; imported lines claim nothing."""
    wants: dict[int, dict[int, int]] = {}
    first: dict[int, Row[Any]] = {}
    for row in _OPEN_ORDERS.rows(connection, {"workshop": workshop}):
        first.setdefault(row.id, row)
        mine = wants.setdefault(row.id, {})
        mine[row.item_id] = mine.get(row.item_id, 0) + max(0, row.units - int(row.gone))
    return [_open_order(row, {item: units for item, units in wants[row.id].items() if units}) for row in first.values()]


def _open_order(row: Row[Any], wants: dict[int, int]) -> OpenOrder:
    due: date | None = row.due_on
    return OpenOrder(row.id, row.reference, row.placed_on, due, wants, row.transit_days or 0, row.min_life_days or 0)
