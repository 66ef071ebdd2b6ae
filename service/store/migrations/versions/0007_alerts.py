"""Alerts, what became of each, and when each workshop is looked at."""

import sqlalchemy as sa
from alembic import op

from service.store.tables.columns import UtcTime

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Three new tables."""
    _alert()
    _alert_step()
    op.create_table(
        "watch", _key("workshop_id"), sa.Column("next_at", UtcTime(), nullable=False), _text("claimed_by", True),
        sa.Column("claimed_until", UtcTime(), nullable=True), sa.Column("looked_at", UtcTime(), nullable=True),
        _text("figures", True), _text("error", True), _pk("watch"), sqlite_with_rowid=False,
    )  # fmt: skip


def _key(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=False)


def _text(name: str, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=nullable)


def _pk(table: str, *columns: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint("workshop_id", *columns, name=f"pk_{table}")


def _alert() -> None:
    op.create_table(
        "alert", _key("workshop_id"), _key("id"), _text("code"), _text("kind"), _text("subject"),
        sa.Column("severity", sa.Integer(), nullable=False), sa.Column("day", sa.Date(), nullable=True), _text("sentence"),
        _text("facts"), _text("act"), sa.Column("opened_at", UtcTime(), nullable=False),
        sa.Column("updated_at", UtcTime(), nullable=False), sa.Column("closed_at", UtcTime(), nullable=True),
        sa.Column("acknowledged_severity", sa.Integer(), nullable=True), sa.Column("acknowledged_at", UtcTime(), nullable=True),
        _text("acknowledged_by", True), sa.Column("put_off_until", sa.Date(), nullable=True), _text("put_off_by", True),
        sa.CheckConstraint("severity IN (1,2,3)", name=op.f("ck_alert_severity")), _pk("alert", "id"),
        sa.UniqueConstraint("workshop_id", "code", name="uq_alert_workshop_id_code"),
    )  # fmt: skip
    some = sa.text("closed_at IS NULL")
    columns = ["workshop_id", "kind", "subject"]
    op.create_index("ix_alert_open", "alert", columns, unique=True, sqlite_where=some, postgresql_where=some)


def _alert_step() -> None:
    op.create_table(
        "alert_step", _key("workshop_id"), _key("alert_id"), _key("n"), _text("step"),
        sa.Column("at", UtcTime(), nullable=False), sa.Column("severity", sa.Integer(), nullable=False), _text("sentence"),
        sa.Column("until", sa.Date(), nullable=True), _text("by", True),
        sa.CheckConstraint(
            "step IN ('opened','updated','acknowledged','put_off','closed')", name=op.f("ck_alert_step_step")
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "alert_id"], ["alert.workshop_id", "alert.id"], name="fk_alert_step_workshop_id_alert_id"
        ),
        _pk("alert_step", "alert_id", "n"), sqlite_with_rowid=False,
    )  # fmt: skip
