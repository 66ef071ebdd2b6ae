"""Production runs and what open plans will need."""

from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import Connection, Row, bindparam, func, insert, literal_column, select, update

from service.core.making.claims import Plan
from service.store.prepared import Prepared
from service.store.tables import Run, RunLine
from service.store.written import written

RUN = Run.__table__  # type: ignore[attr-defined]
RUN_LINE = RunLine.__table__  # type: ignore[attr-defined]


def add(connection: Connection, workshop: int, values: dict[str, Any], needs: Sequence[tuple[int, int]] = ()) -> None:
    """A run, and for a plan the items and quantities it will need (below 0: that it will make)."""
    facts = written(values.pop("facts"))
    _ADD.run(connection, {"order_id": None, **values, "facts": facts, "workshop_id": workshop})
    lines = [
        {"workshop_id": workshop, "run_id": values["id"], "n": n, "item_id": item, "quantity": quantity}
        for n, (item, quantity) in enumerate(needs)
    ]
    if lines:
        connection.execute(insert(RUN_LINE), lines)


def change(connection: Connection, workshop: int, run: int, **values: Any) -> None:
    """Change a run's state."""
    if "facts" in values:
        values["facts"] = written(values["facts"])
    connection.execute(update(RUN).where(RUN.c.workshop_id == workshop, RUN.c.id == run).values(**values))


def by_code(connection: Connection, workshop: int, code: str, lock: bool = False) -> Row[Any] | None:
    """A run by its batch code; `lock` holds it until the end of the act."""
    statement = select(RUN).where(RUN.c.workshop_id == workshop, RUN.c.code == code)
    return connection.execute(statement.with_for_update(key_share=True) if lock else statement).first()


def of_document(connection: Connection, workshop: int, document: int) -> Row[Any] | None:
    """The run a document recorded."""
    return connection.execute(select(RUN).where(RUN.c.workshop_id == workshop, RUN.c.document_id == document)).first()


def by_id(connection: Connection, workshop: int, run: int) -> Row[Any] | None:
    """A run by id."""
    return connection.execute(select(RUN).where(RUN.c.workshop_id == workshop, RUN.c.id == run)).first()


def page(connection: Connection, workshop: int, state: str | None, after: int | None, limit: int) -> list[Row[Any]]:
    """Runs, newest first; `after` is the last id seen."""
    wanted = [RUN.c.workshop_id == workshop]
    if state is not None:
        wanted.append(RUN.c.state == state)
    if after is not None:
        wanted.append(RUN.c.id < after)
    return list(connection.execute(select(RUN).where(*wanted).order_by(RUN.c.id.desc()).limit(limit)))


def open_for(connection: Connection, workshop: int, formula: int | None, product: int | None) -> list[Row[Any]]:
    """The open plans for exactly this product, or for this formula without a product."""
    if product is not None:
        return _OPEN_FOR_PRODUCT.rows(connection, {"workshop": workshop, "product": product})
    return _OPEN_FOR_FORMULA.rows(connection, {"workshop": workshop, "formula": formula})


_IS_OPEN = RUN.c.state == literal_column("'planned'")  # a literal, so that the partial index serves
_MINE = RUN.c.workshop_id == bindparam("workshop")
_OPEN = Prepared(
    select(RUN.c.id, RUN.c.code, RUN.c.planned_on, RUN.c.product_id, RUN.c.units, RUN.c.order_id).where(_MINE, _IS_OPEN)
)
_OPEN_FOR_PRODUCT = Prepared(select(RUN).where(_MINE, _IS_OPEN, RUN.c.product_id == bindparam("product")))
_OPEN_FOR_FORMULA = Prepared(
    select(RUN).where(_MINE, _IS_OPEN, RUN.c.product_id.is_(None), RUN.c.formula_id == bindparam("formula"))
)
_ADD = Prepared(insert(RUN))


def planned(connection: Connection, workshop: int) -> list[Row[Any]]:
    """The rows of all open plans."""
    wanted = (RUN.c.workshop_id == workshop) & (RUN.c.state == literal_column("'planned'"))
    return list(connection.execute(select(RUN).where(wanted).order_by(RUN.c.id)))


def open_plans(connection: Connection, workshop: int) -> list[Plan]:
    """All open plans with what they need and what they will make."""
    found = {row.id: row for row in _OPEN.rows(connection, {"workshop": workshop})}
    if not found:
        return []
    needs: dict[int, dict[int, int]] = {run: {} for run in found}
    makes: dict[int, dict[int, int]] = {run: {} for run in found}
    lines = select(RUN_LINE).where(RUN_LINE.c.workshop_id == workshop, RUN_LINE.c.run_id.in_(sorted(found)))
    for line in connection.execute(lines):
        mine = (needs if line.quantity > 0 else makes)[line.run_id]
        mine[line.item_id] = mine.get(line.item_id, 0) + abs(line.quantity)
    for row in found.values():
        if row.product_id is not None and not makes[row.id]:  # planned before plans said what they make
            makes[row.id][row.product_id] = row.units or 0
    return [Plan(row.id, row.code, row.planned_on, needs[row.id], makes[row.id], row.order_id) for row in found.values()]


def for_orders(connection: Connection, workshop: int, orders: Collection[int]) -> list[Row[Any]]:
    """The runs made or planned for these orders: `code`, `state`, `order_id`."""
    if not orders:
        return []
    wanted = [RUN.c.workshop_id == workshop, RUN.c.order_id.in_(sorted(orders)), RUN.c.state.in_(("planned", "completed"))]
    return list(connection.execute(select(RUN.c.code, RUN.c.state, RUN.c.order_id).where(*wanted).order_by(RUN.c.id)))


def mean_batches(connection: Connection, workshop: int, formulas: Collection[int]) -> dict[int, int]:
    """The mean batch of these formulas' completed runs, of those that had any."""
    if not formulas:
        return {}
    wanted = [
        RUN.c.workshop_id == workshop,
        RUN.c.formula_id.in_(sorted(formulas)),
        RUN.c.state == "completed",
        RUN.c.batch_mg > 0,
    ]
    found = select(RUN.c.formula_id, func.avg(RUN.c.batch_mg).label("batch_mg")).where(*wanted).group_by(RUN.c.formula_id)
    return {row.formula_id: round(row.batch_mg) for row in connection.execute(found)}
