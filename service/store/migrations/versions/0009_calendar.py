"""Closed days on the calendar, and what a person said of an order that stands out: will such orders come again?"""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """A column that older orders leave empty; the calendar, into which nothing was written before, is made again."""
    op.add_column("order", sa.Column("one_off", sa.Boolean(), nullable=True))
    op.drop_table("calendar_mark")
    more: list[Any] = [sa.Column(name, sa.Text(), nullable=True) for name in ("channel", "note")]
    op.create_table(
        "calendar_mark",
        *[sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=False) for name in ("workshop_id", "id")],
        *[sa.Column(name, sa.Text(), nullable=False) for name in ("code", "kind")],
        *[sa.Column(name, sa.Date(), nullable=False) for name in ("from_on", "until_on")],
        sa.Column("item_id", sa.BigInteger(), nullable=True), *more,
        sa.CheckConstraint("kind IN ('closed','promotion','market_day')", name=op.f("ck_calendar_mark_kind")),
        sa.ForeignKeyConstraint(["workshop_id", "item_id"], ["item.workshop_id", "item.id"],
                                name="fk_calendar_mark_workshop_id_item_id"),
        sa.PrimaryKeyConstraint("workshop_id", "id", name="pk_calendar_mark"),
        sa.UniqueConstraint("workshop_id", "code", name="uq_calendar_mark_workshop_id_code"),
    )  # fmt: skip
    op.create_index("ix_calendar_mark_workshop_id_from_on", "calendar_mark", ["workshop_id", "from_on"])
