"""Suppliers, offers, purchase orders and their lines, deliveries, and which receipts belong to them."""

from typing import Any

import sqlalchemy as sa
from alembic import op

from service.store.tables.columns import UtcTime

revision = "0007"
down_revision = "0006"

PLACED = "state IN ('placed','partly_received')"


def upgrade() -> None:
    """New tables only."""
    _supplier()
    _offer()
    _order()
    _delivery()


def _key(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=False)


def _big(name: str, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), nullable=nullable)


def _small(name: str, nullable: bool = False) -> sa.Column[int]:
    return sa.Column(name, sa.Integer(), nullable=nullable)


def _text(name: str, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=nullable)


def _flag(name: str) -> sa.Column[bool]:
    return sa.Column(name, sa.Boolean(), nullable=False)


def _day(name: str) -> sa.Column[Any]:
    return sa.Column(name, sa.Date(), nullable=True)


def _pk(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint("workshop_id", *columns, name=f"pk_{table}")


def _of(table: str, other: str, column: str) -> sa.ForeignKeyConstraint:
    name = f"fk_{table}_workshop_id_{column}"
    return sa.ForeignKeyConstraint(["workshop_id", column], [f"{other}.workshop_id", f"{other}.id"], name=name)


def _one(table: str, column: str) -> sa.UniqueConstraint:
    return sa.UniqueConstraint("workshop_id", column, name=f"uq_{table}_workshop_id_{column}")


def _index(table: str, column: str) -> None:
    op.create_index(f"ix_{table}_workshop_id_{column}", table, ["workshop_id", column])


def _supplier() -> None:
    op.create_table(
        "supplier", _key("workshop_id"), _key("id"), _text("code"), _text("name"), _text("currency"), _big("rate_nano", True),
        _big("delivery_micro"), _big("free_from_micro", True), _big("smallest_micro"), _small("lead_time_days", True),
        _small("review_days"), _text("notes", True), _flag("active"), _pk("supplier", "id"), _one("supplier", "code"),
    )  # fmt: skip


def _offer() -> None:
    op.create_table(
        "offer", _key("workshop_id"), _key("id"), _text("code"), _big("supplier_id"), _big("item_id"), _text("article", True),
        _big("pack"), _big("price_micro"), _text("breaks"), _small("least_packs"), _small("life_days", True), _text("claims"),
        _day("valid_from"), _day("valid_until"), _text("facts"),
        sa.CheckConstraint("pack > 0 AND least_packs > 0", name=op.f("ck_offer_pack")),
        _of("offer", "supplier", "supplier_id"), _of("offer", "item", "item_id"), _pk("offer", "id"), _one("offer", "code"),
    )  # fmt: skip
    _index("offer", "item_id")
    _index("offer", "supplier_id")


def _order() -> None:
    states = "state IN ('draft','placed','partly_received','received','cancelled')"
    op.create_table(
        "purchase_order", _key("workshop_id"), _key("id"), _text("code"), _big("supplier_id"), _text("state"),
        _day("placed_on"), _day("expected_on"), _big("delivery_micro", True),
        sa.Column("recorded_at", UtcTime(), nullable=False), _text("recorded_by"), _text("facts"),
        sa.CheckConstraint(states, name=op.f("ck_purchase_order_state")), _of("purchase_order", "supplier", "supplier_id"),
        _pk("purchase_order", "id"), _one("purchase_order", "code"),
    )  # fmt: skip
    _index("purchase_order", "supplier_id")
    some = sa.text(PLACED)
    op.create_index("ix_purchase_order_placed", "purchase_order", ["workshop_id", "id"], sqlite_where=some, postgresql_where=some)
    op.create_table(
        "purchase_line", _key("workshop_id"), _key("order_id"), _key("n"), _big("item_id"), _big("offer_id", True), _big("packs"),
        _big("pack"), _big("price_micro", True), _flag("closed"), _text("facts"),
        _of("purchase_line", "purchase_order", "order_id"), _of("purchase_line", "item", "item_id"),
        _of("purchase_line", "offer", "offer_id"), _pk("purchase_line", "order_id", "n"), sqlite_with_rowid=False,
    )  # fmt: skip
    _index("purchase_line", "item_id")


def _delivery() -> None:
    op.create_table(
        "delivery", _key("workshop_id"), _key("id"), _text("code"), _big("supplier_id"), _big("order_id", True),
        _text("note_number", True), sa.Column("recorded_at", UtcTime(), nullable=False), _text("recorded_by"), _text("facts"),
        _of("delivery", "supplier", "supplier_id"), _of("delivery", "purchase_order", "order_id"), _pk("delivery", "id"),
        _one("delivery", "code"),
    )  # fmt: skip
    _index("delivery", "supplier_id")
    op.create_table(
        "purchase_paper", _key("workshop_id"), _key("document_id"), _big("order_id", True), _small("line", True),
        _big("delivery_id", True), _flag("closes"), _of("purchase_paper", "document", "document_id"),
        _of("purchase_paper", "purchase_order", "order_id"), _of("purchase_paper", "delivery", "delivery_id"),
        _pk("purchase_paper", "document_id"), sqlite_with_rowid=False,
    )  # fmt: skip
    _index("purchase_paper", "order_id")
    _index("purchase_paper", "delivery_id")
