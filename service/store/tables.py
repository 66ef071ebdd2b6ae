"""Every table, as SQLModel classes used for DDL and for Core statements (no relations, no ORM loads).

Primary keys start with `workshop_id`; quantities are in the item's smallest unit (1 mg or 1 piece).
"""

from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Date,
    DateTime,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy import text as sql
from sqlmodel import Field, SQLModel

SQLModel.metadata.naming_convention = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
).naming_convention

WITHOUT_ROWID = {"sqlite_with_rowid": False}


class UtcTime(TypeDecorator[datetime]):
    """An aware UTC time on both engines (SQLite's own type forgets the zone)."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Any) -> datetime | None:
        """Aware times only."""
        if value is None:
            return None
        assert value.tzinfo is not None, "a time without a zone"
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Any) -> datetime | None:
        """As UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


def key() -> Any:
    """A 63-bit part of the primary key, made in the process."""
    return Field(primary_key=True, sa_type=BigInteger, sa_column_kwargs={"autoincrement": False})


def big(default: Any = ...) -> Any:
    """A 64-bit integer column (NULL allowed when the default is None)."""
    return Field(default=default, sa_type=BigInteger, nullable=default is None)


def text(default: Any = ...) -> Any:
    """A text column (NULL allowed when the default is None)."""
    return Field(default=default, sa_type=Text, nullable=default is None)


def day(default: Any = ...) -> Any:
    """A date column."""
    return Field(default=default, sa_type=Date, nullable=default is None)


def moment(default: Any = ...) -> Any:
    """A UTC time column."""
    return Field(default=default, sa_type=UtcTime, nullable=default is None)


def flag(default: bool) -> Any:
    """A boolean column."""
    return Field(default=default, sa_type=Boolean, nullable=False)


def small(default: Any = ...) -> Any:
    """A 32-bit integer column (days, counters of lines)."""
    return Field(default=default, sa_type=Integer, nullable=default is None)


def of(table: str, *columns: str, name: str | None = None) -> ForeignKeyConstraint:
    """A foreign key within one workshop."""
    return ForeignKeyConstraint(["workshop_id", *columns], [f"{table}.workshop_id", f"{table}.id"], name=name)


class Workshop(SQLModel, table=True):
    """The business every row belongs to."""

    __tablename__ = "workshop"
    id: int = key()
    code: str = Field(sa_type=Text, unique=True)
    name: str = text()
    time_zone: str = text("UTC")
    currency: str = text("EUR")
    week_start: str = text("monday")
    expiry_warning_days: int = small(30)
    created_at: datetime = moment()


class Token(SQLModel, table=True):
    """A caller; only the hash of its secret is kept."""

    __tablename__ = "token"
    __table_args__ = (UniqueConstraint("workshop_id", "code"), UniqueConstraint("workshop_id", "secret_hash"))
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    name: str = text()
    scopes: str = text()
    secret_hash: str = text()
    expires_on: date | None = day(None)
    created_at: datetime = moment()
    last_used_at: datetime | None = moment(None)
    revoked_at: datetime | None = moment(None)


class Idempotency(SQLModel, table=True):
    """The first answer to a key, kept in the transaction of its work."""

    __tablename__ = "idempotency"
    __table_args__ = (WITHOUT_ROWID,)
    workshop_id: int = key()
    key: str = Field(primary_key=True, sa_type=Text)
    fingerprint: str = text()
    status: int = small()
    answer: str = text()
    created_at: datetime = moment()


class Counter(SQLModel, table=True):
    """The last number of each series of readable codes (`R`, `L`, ...)."""

    __tablename__ = "counter"
    __table_args__ = (WITHOUT_ROWID,)
    workshop_id: int = key()
    series: str = Field(primary_key=True, sa_type=Text)
    last: int = big()


class Item(SQLModel, table=True):
    """Anything stocked: ingredient, packaging, bulk or product; one namespace of codes."""

    __tablename__ = "item"
    __table_args__ = (
        UniqueConstraint("workshop_id", "code"),
        CheckConstraint("kind IN ('ingredient','packaging','bulk','product')", name="kind"),
        CheckConstraint("unit IN ('g','piece')", name="unit"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = text()
    name: str = text()
    kind: str = text()
    unit: str = text()
    stocked: bool = flag(True)
    active: bool = flag(True)
    shelf_life_days: int | None = small(None)
    opened_life_days: int | None = small(None)
    facts: str = text("{}")  # JSON: inci, function, contains_water, density_g_per_ml, notes
    papers: int = big(0)  # order of recording: raised under the item's lock
    latest: int = big(0)  # core/happening's rank of the latest paper: says whether the next one is in order
    before: int = big(0)  # `latest` as the last paper found it
    counted_on: date | None = day(None)  # day of the last count
    redrawn: bool = flag(True)  # false: of older books, to be drawn again once


class FormulaVersion(SQLModel, table=True):
    """One version of a formula; the formula itself is the bulk item of the same code."""

    __tablename__ = "formula_version"
    __table_args__ = (of("item", "formula_id"), UniqueConstraint("workshop_id", "formula_id", "version"))
    workshop_id: int = key()
    id: int = key()
    formula_id: int = big()
    version: int = small()
    usual_batch_mg: int | None = big(None)
    loss_ppm: int = big(0)
    loss_mg: int = big(0)
    rest_days: int = small(0)
    bulk_shelf_life_days: int | None = small(None)
    preservation_note: str | None = text(None)
    made_on: date = day()
    created_at: datetime = moment()


class FormulaLine(SQLModel, table=True):
    """A share of a material in a version; all shares sum to 1,000,000 ppm."""

    __tablename__ = "formula_line"
    __table_args__ = (of("formula_version", "version_id"), of("item", "item_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    version_id: int = key()
    n: int = key()
    item_id: int = big()
    share_ppm: int = big()
    rest: bool = flag(False)
    phase: str | None = text(None)


class Product(SQLModel, table=True):
    """What is sold; `id` is the item's. A set has no formula."""

    __tablename__ = "product"
    __table_args__ = (of("item", "id"), of("item", "formula_id", name="fk_product_formula"))
    workshop_id: int = key()
    id: int = key()
    formula_id: int | None = big(None)
    fill_mg: int | None = big(None)
    net_mg: int | None = big(None)


class ProductPart(SQLModel, table=True):
    """Packaging of one unit, or a product inside a set (`quantity` pieces, or mg of a weighed one)."""

    __tablename__ = "product_part"
    __table_args__ = (of("product", "product_id"), of("item", "item_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    product_id: int = key()
    n: int = key()
    item_id: int = big()
    quantity: int = big()
    inside: bool = flag(False)  # a product inside the set, not packaging


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
    code: str = text()
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
        Index(None, "workshop_id", "item_id", "paper"),
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
        CheckConstraint("(id <> item_id AND on_hand >= 0) OR (id = item_id AND on_hand <= 0)", name="on_hand"),
        CheckConstraint("status IN ('quarantined','released','rejected')", name="status"),
    )
    workshop_id: int = key()
    id: int = key()
    item_id: int = big()
    code: str = text()
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
    place: str | None = text(None)
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
    place: str = Field(primary_key=True, sa_type=Text)
    production: bool = flag(True)


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
        Index("ix_movement_lot", "workshop_id", "lot_id"),
        WITHOUT_ROWID,
    )
    workshop_id: int = key()
    document_id: int = key()
    n: int = key()
    line: int = small()
    lot_id: int = big()
    quantity: int = big()
    cost_micro: int | None = big(None)


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
        CheckConstraint("state IN ('planned','completed','cancelled','reversed')", name="state"),
    )
    workshop_id: int = key()
    id: int = key()
    code: str = text()
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
    facts: str = text("{}")  # JSON: what was asked and answered, as recorded


class RunLine(SQLModel, table=True):
    """What a planned run will need: its claim while it is open."""

    __tablename__ = "run_line"
    __table_args__ = (of("run", "run_id"), of("item", "item_id"), WITHOUT_ROWID)
    workshop_id: int = key()
    run_id: int = key()
    n: int = key()
    item_id: int = big()
    quantity: int = big()
