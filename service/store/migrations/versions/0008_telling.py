"""Receivers, messages and their dispatches; the hour of a workshop's digest and the day it was last told."""

import sqlalchemy as sa
from alembic import op

from service.store.tables.columns import UtcTime

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """New tables; two columns that older rows leave empty."""
    op.add_column("workshop", sa.Column("digest_hour", sa.Integer(), nullable=True))
    op.add_column("workshop", sa.Column("digest_told_on", sa.Date(), nullable=True))
    _receiver()
    _message()
    _dispatch()


def _key(name: str) -> sa.Column[int]:
    return sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=False)


def _text(name: str, nullable: bool = False) -> sa.Column[str]:
    return sa.Column(name, sa.Text(), nullable=nullable)


def _receiver() -> None:
    op.create_table(
        "receiver", _key("workshop_id"), _key("id"), _text("code"), _text("kind"), _text("name"), _text("address"),
        _text("wants"), sa.Column("active", sa.Boolean(), nullable=False), _text("secrets"),
        sa.Column("quiet_until", UtcTime(), nullable=True), sa.Column("created_at", UtcTime(), nullable=False),
        sa.Column("removed_at", UtcTime(), nullable=True),
        sa.CheckConstraint("kind IN ('webhook','mail')", name=op.f("ck_receiver_kind")),
        sa.PrimaryKeyConstraint("workshop_id", "id", name="pk_receiver"),
        sa.UniqueConstraint("workshop_id", "code", name="uq_receiver_workshop_id_code"),
    )  # fmt: skip


def _message() -> None:
    op.create_table(
        "message", _key("workshop_id"), _key("id"), _text("code"), _text("event"), _text("about", True), _text("body"),
        sa.Column("created_at", UtcTime(), nullable=False),
        sa.PrimaryKeyConstraint("workshop_id", "id", name="pk_message"),
    )  # fmt: skip
    some = sa.text("about IS NOT NULL")
    op.create_index("ix_message_about", "message", ["workshop_id", "about"], sqlite_where=some, postgresql_where=some)


def _dispatch() -> None:
    op.create_table(
        "dispatch", _key("workshop_id"), _key("id"), _text("code"), sa.Column("message_id", sa.BigInteger(), nullable=False),
        sa.Column("receiver_id", sa.BigInteger(), nullable=False), _text("state"),
        sa.Column("due_at", UtcTime(), nullable=False), sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False), _text("claim", True),
        sa.Column("claimed_until", UtcTime(), nullable=True), sa.Column("status", sa.Integer(), nullable=True),
        _text("error", True), sa.Column("tried_at", UtcTime(), nullable=True), sa.Column("sent_at", UtcTime(), nullable=True),
        sa.CheckConstraint("state IN ('waiting','sent','parked')", name=op.f("ck_dispatch_state")),
        sa.ForeignKeyConstraint(
            ["workshop_id", "message_id"], ["message.workshop_id", "message.id"], name="fk_dispatch_workshop_id_message_id"
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "receiver_id"], ["receiver.workshop_id", "receiver.id"], name="fk_dispatch_workshop_id_receiver_id"
        ),
        sa.PrimaryKeyConstraint("workshop_id", "id", name="pk_dispatch"),
        sa.UniqueConstraint("workshop_id", "code", name="uq_dispatch_workshop_id_code"),
    )  # fmt: skip
    some = sa.text("state = 'waiting'")
    op.create_index("ix_dispatch_due", "dispatch", ["workshop_id", "due_at"], sqlite_where=some, postgresql_where=some)
    op.create_index("ix_dispatch_workshop_id_receiver_id_id", "dispatch", ["workshop_id", "receiver_id", "id"])
    op.create_index("ix_dispatch_workshop_id_message_id", "dispatch", ["workshop_id", "message_id"])
