"""Production runs, and what open plans will need."""

from datetime import date

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import SQLModel

from service.store.tables.columns import WITHOUT_ROWID, big, day, key, label, of, text


class Run(SQLModel, table=True):
    """A production run: planned, completed, cancelled or reversed. `code` is the batch code."""

    __tablename__ = "run"
    __table_args__ = (
        UniqueConstraint("workshop_id", "code"),
        Index(
            "ix_run_planned",
            "workshop_id",
            "id",
            sqlite_where=sql("state = 'planned'"),
            postgresql_where=sql("state = 'planned'"),
        ),
        Index(
            "ix_run_order",
            "workshop_id",
            "order_id",
            sqlite_where=sql("order_id IS NOT NULL"),
            postgresql_where=sql("order_id IS NOT NULL"),
        ),
        CheckConstraint("state IN ('planned','completed','cancelled','reversed')", name="state"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = label()
    state: str = text()
    formula_id: int | None = big(None)
    product_id: int | None = big(None)
    version_id: int | None = big(None)
    units: int | None = big(None)
    batch_mg: int | None = big(None)
    planned_on: date | None = day(None)
    made_on: date | None = day(None)
    plan_id: int | None = big(None)  # the plan this run completed, when it is another row
    document_id: int | None = big(None)  # the run's document, once completed
    order_id: int | None = big(None)  # the order it is made for
    facts: str = text("{}")  # JSON: what was asked and answered, as recorded


class RunLine(SQLModel, table=True):
    """What a planned run will need, its claim while it is open; below 0 what it will make."""

    __tablename__ = "run_line"
    __table_args__ = (of("run", "run_id"), of("item", "item_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    run_id: int = key()
    n: int = key()
    item_id: int = big()
    quantity: int = big()
