"""The ground floor: workshops, items, formulas, lots, the ledger, runs.

Frozen: the tables of this version are spelled out by the metadata as it was; later versions only add.
"""

from alembic import op
from sqlmodel import SQLModel

import service.store.tables  # noqa: F401  (fills the metadata)

revision = "0001"
down_revision = None

TABLES = (
    "workshop", "token", "idempotency", "counter", "item", "formula_version", "formula_line", "product",
    "product_part", "document", "line", "named_lot", "lot", "place", "lot_edit", "movement", "run", "run_line",
)  # fmt: skip


def upgrade() -> None:
    """Create every table of the first version."""
    tables = [SQLModel.metadata.tables[name] for name in TABLES]
    SQLModel.metadata.create_all(op.get_bind(), tables=tables, checkfirst=False)
