"""Purchase plans as they were answered, and what a year of money on the shelf costs the workshop."""

import sqlalchemy as sa
from alembic import op

from service.store.tables.columns import UtcTime

revision = "0010"
down_revision = "0011"


def upgrade() -> None:
    """A new table and a column."""
    op.add_column("workshop", sa.Column("capital_ppm", sa.BigInteger(), nullable=False, server_default="100000"))
    op.create_table(
        "purchase_plan",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("recorded_at", UtcTime(), nullable=False),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("orders", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("workshop_id", "id", name="pk_purchase_plan"),
        sa.UniqueConstraint("workshop_id", "code", name="uq_purchase_plan_workshop_id_code"),
    )
