"""How sure a workshop wants to be of its stock, and how long its suppliers take where a material says nothing."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Two columns with what held for everyone so far."""
    op.add_column("workshop", sa.Column("service_level_ppm", sa.BigInteger(), nullable=False, server_default=sa.text("950000")))
    op.add_column("workshop", sa.Column("lead_time_days", sa.Integer(), nullable=False, server_default=sa.text("14")))
