"""Papers: what they state, and the movements that follow. Append-only."""

from datetime import date, datetime

from sqlalchemy import Index, UniqueConstraint
from sqlalchemy import text as sql
from sqlmodel import SQLModel

from service.store.tables.columns import WITHOUT_ROWID, big, day, flag, key, label, moment, of, small, text


class Document(SQLModel, table=True):
    """A paper: what happened, when, when it was recorded and by whom. Append-only."""

    __tablename__ = "document"
    __table_args__ = (
        UniqueConstraint("workshop_id", "code"),
        UniqueConstraint("workshop_id", "reverses_id"),
        of("document", "reverses_id"),
        of("document", "corrects_id"),
        of("document", "caused_by_id"),
        Index(None, "workshop_id", "kind", "id"),
        Index(
            "ix_document_corrects",
            "workshop_id",
            "corrects_id",
            sqlite_where=sql("corrects_id IS NOT NULL"),
            postgresql_where=sql("corrects_id IS NOT NULL"),
        ),
        Index(
            "ix_document_caused_by",
            "workshop_id",
            "caused_by_id",
            sqlite_where=sql("caused_by_id IS NOT NULL"),
            postgresql_where=sql("caused_by_id IS NOT NULL"),
        ),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = label()
    kind: str = text()
    happened_on: date = day()
    happened_at: datetime | None = moment(None)  # null: told without a time
    recorded_at: datetime = moment()
    token_id: int | None = big(None)
    recorded_by: str = text()
    reverses_id: int | None = big(None)
    corrects_id: int | None = big(None)
    caused_by_id: int | None = big(None)
    states: bool = flag(True)  # false: a correction that only follows from another paper
    facts: str = text("{}")  # JSON: what was told beside the lines


class Line(SQLModel, table=True):
    """What a paper states of one item, so that it can be drawn again. Append-only."""

    __tablename__ = "line"
    __table_args__ = (
        of("document", "document_id"),
        of("item", "item_id"),
        Index(
            "ix_line_item", "workshop_id", "item_id", "paper", "document_id", "n", "quantity", "lot_id", "place"
        ),  # all a redraw reads
        Index(
            "ix_line_lot",
            "workshop_id",
            "lot_id",
            sqlite_where=sql("lot_id IS NOT NULL"),
            postgresql_where=sql("lot_id IS NOT NULL"),
        ),
        WITHOUT_ROWID,
    )
    workshop_id: int = key()
    document_id: int = key()
    n: int = key()
    item_id: int = big()
    paper: int = big()  # the item's order of recording
    quantity: int = big()
    lot_id: int | None = big(None)  # the one lot a receipt, count, disposal, split, edit or output is about
    instead_of_id: int | None = big(None)
    output: int | None = small(None)  # the line of the output that bears this draw's cost; null: the batch's mass
    mass_mg: int | None = big(None)  # of an output: what it weighs of the batch
    place: str | None = text(None)  # of a count of a place


class NamedLot(SQLModel, table=True):
    """A lot that the bench named for a line; without a quantity as much of it as was needed. Append-only."""

    __tablename__ = "named_lot"
    __table_args__ = (of("document", "document_id"), of("lot", "lot_id"), Index(None, "workshop_id", "lot_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    document_id: int = key()
    n: int = key()
    k: int = key()
    lot_id: int = big()
    quantity: int | None = big(None)


class LotEdit(SQLModel, table=True):
    """What an edit of a lot says from its day on (JSON of the facts it sets). Append-only."""

    __tablename__ = "lot_edit"
    __table_args__ = (of("document", "document_id"), of("lot", "lot_id"), Index(None, "workshop_id", "lot_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    document_id: int = key()
    lot_id: int = key()
    facts: str = text()


class Movement(SQLModel, table=True):
    """One signed change of one lot. Append-only; quantity 0 only where late money is booked."""

    __tablename__ = "movement"
    __table_args__ = (
        of("document", "document_id"),
        of("lot", "lot_id"),
        Index("ix_movement_lot", "workshop_id", "lot_id", "document_id", "n", "line", "quantity"),  # the same
        WITHOUT_ROWID,
    )
    workshop_id: int = key()
    document_id: int = key()
    n: int = key()
    line: int = small()
    lot_id: int = big()
    quantity: int = big()
    cost_micro: int | None = big(None)
