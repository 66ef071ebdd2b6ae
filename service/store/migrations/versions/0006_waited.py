"""From when on an item must be drawn again so that counts find every draw they once explained."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """A date that a redraw notes; items that were ever counted are drawn again once, which notes it."""
    op.add_column("item", sa.Column("unbooked_since", sa.Date(), nullable=True))
    op.execute(sa.text("UPDATE item SET redrawn = false WHERE counted_on IS NOT NULL"))
