"""Lots and places."""

from datetime import date

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import Field, SQLModel

from service.store.tables.columns import SORTED, WITHOUT_ROWID, big, day, flag, key, label, of, small, text


class Lot(SQLModel, table=True):
    """A quantity of one item that came or was made together. The unbooked lot has the item's id."""

    __tablename__ = "lot"
    __table_args__ = (
        of("item", "item_id"),
        UniqueConstraint("workshop_id", "code"),
        Index(
            "ix_lot_open",
            "workshop_id",
            "item_id",
            sqlite_where=sql("on_hand <> 0"),
            postgresql_where=sql("on_hand <> 0"),
        ),
        Index(None, "workshop_id", "item_id", "id"),
        Index(None, "workshop_id", "document_id"),
        Index(
            "ix_lot_parent",
            "workshop_id",
            "parent_id",
            sqlite_where=sql("parent_id IS NOT NULL"),
            postgresql_where=sql("parent_id IS NOT NULL"),
        ),
        CheckConstraint("(id <> item_id AND on_hand >= 0) OR (id = item_id AND on_hand <= 0)", name="on_hand"),
        CheckConstraint("status IN ('quarantined','released','rejected')", name="status"),
    )
    workshop_id: int = key()
    id: int = key()
    item_id: int = big()
    code: str = label()
    document_id: int | None = big(None)  # the receipt, run, count or split it came from
    parent_id: int | None = big(None)
    supplier: str | None = text(None)
    supplier_lot: str | None = text(None)
    certificate: str | None = text(None)
    received_on: date = day()  # received or made
    made: bool = flag(False)
    expires_on: date | None = day(None)
    expires_assumed: bool = flag(False)
    retest_on: date | None = day(None)
    opened_on: date | None = day(None)  # its first draw, unless a person set it
    opened_by_hand: bool = flag(False)
    opened_life_days: int | None = small(None)  # of its arrival
    arrived: str | None = text(None)  # JSON: status, dates and place on arrival, kept by the first edit
    use_by: date = day()  # last usable day; 9999-12-31 = none
    ready_on: date | None = day(None)
    status: str = text("released")
    status_by: str | None = text(None)
    status_on: date | None = day(None)
    status_reason: str | None = text(None)
    place: str | None = label(None)
    set_apart: bool = flag(False)  # in a place that production does not draw from
    quantity: int = big(0)  # at the start
    cost_micro: int | None = big(None)  # of the start
    estimated: bool = flag(False)
    on_hand: int = big(0)
    cost_left_micro: int | None = big(None)


class Place(SQLModel, table=True):
    """A place that a person said something about; others are only named by lots."""

    __tablename__ = "place"
    __table_args__ = (WITHOUT_ROWID,)
    workshop_id: int = key()
    place: str = Field(primary_key=True, sa_type=SORTED)
    production: bool = flag(True)
