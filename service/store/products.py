"""Products: what they are filled from, their packaging, and what a set contains."""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import Connection, Row, bindparam, insert, select, update

from service.store.prepared import Prepared
from service.store.tables import Product, ProductPart

PRODUCT = Product.__table__  # type: ignore[attr-defined]
PART = ProductPart.__table__  # type: ignore[attr-defined]


_BY_IDS = Prepared(
    lambda ids: select(PRODUCT).where(PRODUCT.c.workshop_id == bindparam("workshop"), PRODUCT.c.id.in_(ids)), "ids"
)
_PARTS = Prepared(
    lambda ids: (
        select(PART)
        .where(PART.c.workshop_id == bindparam("workshop"), PART.c.product_id.in_(ids))
        .order_by(PART.c.product_id, PART.c.n)
    ),
    "ids",
)


def by_ids(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, Row[Any]]:
    """Products by their item's id."""
    if not ids:
        return {}
    return {row.id: row for row in _BY_IDS.rows(connection, {"workshop": workshop, "ids": sorted(ids)})}


def parts(connection: Connection, workshop: int, ids: Collection[int]) -> dict[int, list[Row[Any]]]:
    """Packaging and contents of one unit, by product, in their order."""
    found: dict[int, list[Row[Any]]] = {id_: [] for id_ in ids}
    if not ids:
        return found
    for row in _PARTS.rows(connection, {"workshop": workshop, "ids": sorted(ids)}):
        found[row.product_id].append(row)
    return found


def add(connection: Connection, workshop: int, values: dict[str, Any], rows: Sequence[dict[str, Any]]) -> None:
    """A product and its parts."""
    connection.execute(insert(PRODUCT), {**values, "workshop_id": workshop})
    if rows:
        connection.execute(
            insert(PART),
            [{**row, "n": n, "product_id": values["id"], "workshop_id": workshop} for n, row in enumerate(rows)],
        )


def change(connection: Connection, workshop: int, product: int, values: dict[str, Any]) -> None:
    """Change a product's facts."""
    connection.execute(update(PRODUCT).where(PRODUCT.c.workshop_id == workshop, PRODUCT.c.id == product).values(**values))


def of_sets(connection: Connection, workshop: int) -> set[int]:
    """Sets, and the products inside them."""
    wanted = (PART.c.workshop_id == workshop) & PART.c.inside.is_(True)
    found = connection.execute(select(PART.c.product_id, PART.c.item_id).where(wanted))
    return {item for row in found for item in row}
