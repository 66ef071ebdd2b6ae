"""Orders and their lines, the papers of an order, customers' terms, marks on the calendar; cases; a run's order."""

from typing import Any

import sqlalchemy as sa
from alembic import op

from service.store.tables.columns import UtcTime

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """New tables; two columns that older rows leave empty."""
    op.add_column("product", sa.Column("case_units", sa.Integer(), nullable=True))
    op.add_column("run", sa.Column("order_id", sa.BigInteger(), nullable=True))
    some = sa.text("order_id IS NOT NULL")
    op.create_index("ix_run_order", "run", ["workshop_id", "order_id"], sqlite_where=some, postgresql_where=some)
    _customer()
    _order()
    _lines()
    _calendar()


def _key(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=False)


def _text(name: str, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=nullable)


def _pk(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint("workshop_id", *columns, name=f"pk_{table}")


def _of(table: str, other: str, column: str) -> sa.ForeignKeyConstraint:
    name = f"fk_{table}_workshop_id_{column}"
    return sa.ForeignKeyConstraint(["workshop_id", column], [f"{other}.workshop_id", f"{other}.id"], name=name)


def _customer() -> None:
    op.create_table(
        "customer", _key("workshop_id"), _text("customer"), sa.Column("transit_days", sa.Integer(), nullable=False),
        sa.Column("min_life_days", sa.Integer(), nullable=False),
        sa.Column("smallest_order_micro", sa.BigInteger(), nullable=True), _pk("customer", "customer"), sqlite_with_rowid=False,
    )  # fmt: skip


def _order() -> None:
    op.create_table(
        "order", _key("workshop_id"), _key("id"), _text("reference"), _text("channel"), _text("customer", True),
        sa.Column("placed_on", sa.Date(), nullable=False), sa.Column("due_on", sa.Date(), nullable=True), _text("state"),
        sa.Column("recorded_at", UtcTime(), nullable=False), _text("recorded_by"), _text("facts"),
        sa.CheckConstraint("channel IN ('retail','wholesale','market')", name=op.f("ck_order_channel")),
        sa.CheckConstraint("state IN ('open','partly_shipped','shipped','cancelled')", name=op.f("ck_order_state")),
        _pk("order", "id"), sa.UniqueConstraint("workshop_id", "reference", name="uq_order_workshop_id_reference"),
    )  # fmt: skip
    some = sa.text("state IN ('open','partly_shipped')")
    op.create_index("ix_order_open", "order", ["workshop_id", "id"], sqlite_where=some, postgresql_where=some)


def _lines() -> None:
    op.create_table(
        "order_line", _key("workshop_id"), _key("order_id"), _key("n"), sa.Column("item_id", sa.BigInteger(), nullable=False),
        sa.Column("units", sa.BigInteger(), nullable=False), sa.Column("unit_price_micro", sa.BigInteger(), nullable=True),
        sa.Column("imported", sa.Boolean(), nullable=False), _of("order_line", "order", "order_id"),
        _of("order_line", "item", "item_id"), _pk("order_line", "order_id", "n"), sqlite_with_rowid=False,
    )  # fmt: skip
    op.create_table(
        "order_paper", _key("workshop_id"), _key("order_id"), _key("document_id"), _key("n"),
        sa.Column("line", sa.Integer(), nullable=False), _of("order_paper", "order", "order_id"),
        _of("order_paper", "document", "document_id"), _pk("order_paper", "order_id", "document_id", "n"),
        sqlite_with_rowid=False,
    )  # fmt: skip
    op.create_index("ix_order_paper_workshop_id_document_id", "order_paper", ["workshop_id", "document_id"])


def _calendar() -> None:
    more: list[Any] = [_text("channel", True), _text("note", True)]
    op.create_table(
        "calendar_mark", _key("workshop_id"), _key("id"), _text("code"), _text("kind"),
        sa.Column("from_on", sa.Date(), nullable=False), sa.Column("until_on", sa.Date(), nullable=False),
        sa.Column("item_id", sa.BigInteger(), nullable=True), *more,
        sa.CheckConstraint("kind IN ('promotion','market_day')", name=op.f("ck_calendar_mark_kind")),
        _of("calendar_mark", "item", "item_id"), _pk("calendar_mark", "id"),
        sa.UniqueConstraint("workshop_id", "code", name="uq_calendar_mark_workshop_id_code"),
    )  # fmt: skip
    op.create_index("ix_calendar_mark_workshop_id_from_on", "calendar_mark", ["workshop_id", "from_on"])
