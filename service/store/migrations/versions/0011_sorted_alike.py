"""Codes and names sorted by their bytes on PostgreSQL too, as on SQLite; the parts of a lot found by an index."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0009"

SORTED = (
    ("item", "code"), ("lot", "code"), ("lot", "place"), ("place", "place"), ("document", "code"), ("run", "code"),
    ("token", "code"), ("order", "reference"), ("order", "customer"), ("customer", "customer"), ("calendar_mark", "code"),
    ("supplier", "code"), ("offer", "code"),
)  # fmt: skip


def upgrade() -> None:
    """SQLite compares bytes already."""
    if op.get_bind().dialect.name == "postgresql":
        for table, column in SORTED:
            op.execute(f'ALTER TABLE "{table}" ALTER COLUMN "{column}" TYPE text COLLATE "C"')
    has_parent = sa.text("parent_id IS NOT NULL")
    op.create_index("ix_lot_parent", "lot", ["workshop_id", "parent_id"], sqlite_where=has_parent, postgresql_where=has_parent)
