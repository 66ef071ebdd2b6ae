"""Orders and what was shipped for them, customers' terms, and marks on the calendar."""

from datetime import date, datetime

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import Field, SQLModel

from service.store.tables.columns import (
    SORTED,
    WITHOUT_ROWID,
    answer,
    big,
    day,
    flag,
    key,
    label,
    moment,
    of,
    small,
    text,
)


class Customer(SQLModel, table=True):
    """A customer whose terms a person said something about; others are only named by orders."""

    __tablename__ = "customer"
    __table_args__ = (WITHOUT_ROWID,)
    workshop_id: int = key()
    customer: str = Field(primary_key=True, sa_type=SORTED)  # a label
    transit_days: int = small(0)  # an order is shipped this long before it is due
    min_life_days: int = small(0)  # left on the day it arrives: batches with less are skipped
    smallest_order_micro: int | None = big(None)


class Order(SQLModel, table=True):
    """What a customer asked for; `reference` is the shop's own. What was shipped of it is told by its shipments."""

    __tablename__ = "order"
    __table_args__ = (
        UniqueConstraint("workshop_id", "reference"),
        Index(
            "ix_order_open",
            "workshop_id",
            "id",
            sqlite_where=sql("state IN ('open','partly_shipped')"),
            postgresql_where=sql("state IN ('open','partly_shipped')"),
        ),
        CheckConstraint("channel IN ('retail','wholesale','market')", name="channel"),
        CheckConstraint("state IN ('open','partly_shipped','shipped','cancelled')", name="state"),
    )
    workshop_id: int = key()
    id: int = key()
    reference: str = label()
    channel: str = text()
    customer: str | None = label(None)
    placed_on: date = day()
    due_on: date | None = day(None)
    state: str = text("open")  # kept with every shipment and its reversal
    recorded_at: datetime = moment()
    recorded_by: str = text()
    facts: str = text("{}")  # JSON: what was told beside the columns (note)
    one_off: bool | None = answer()  # whether it was the only one of its kind; null: nobody said


class OrderLine(SQLModel, table=True):
    """Units of one product; `n` counts from 1 within the order."""

    __tablename__ = "order_line"
    __table_args__ = (of("order", "order_id"), of("item", "item_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    order_id: int = key()
    n: int = key()
    item_id: int = big()  # the product
    units: int = big()
    unit_price_micro: int | None = big(None)
    imported: bool = flag(False)  # history, shipped before the books: it moves no stock and claims nothing


class OrderPaper(SQLModel, table=True):
    """Which line of an order a line of a shipment or return is for (the units stand in the paper's own line)."""

    __tablename__ = "order_paper"
    __table_args__ = (
        of("order", "order_id"),
        of("document", "document_id"),
        Index(None, "workshop_id", "document_id"),
        WITHOUT_ROWID,
    )
    workshop_id: int = key()
    order_id: int = key()
    document_id: int = key()
    n: int = key()  # the paper's line
    line: int = small()  # the order's line


class CalendarMark(SQLModel, table=True):
    """Days that are not like others, so that they are neither noise nor forgotten: closed, a promotion, a market day."""

    __tablename__ = "calendar_mark"
    __table_args__ = (
        of("item", "item_id"),
        UniqueConstraint("workshop_id", "code"),
        Index(None, "workshop_id", "from_on"),
        CheckConstraint("kind IN ('closed','promotion','market_day')", name="kind"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = label()
    kind: str = text()
    from_on: date = day()
    until_on: date = day()
    item_id: int | None = big(None)  # null: every product
    channel: str | None = text(None)  # null: every channel
    note: str | None = text(None)
