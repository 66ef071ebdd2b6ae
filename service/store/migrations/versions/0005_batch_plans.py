"""How small and how large a batch of a formula may be, for those who plan by it."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Two columns that older versions leave empty."""
    op.add_column("formula_version", sa.Column("smallest_batch_mg", sa.BigInteger(), nullable=True))
    op.add_column("formula_version", sa.Column("largest_batch_mg", sa.BigInteger(), nullable=True))
