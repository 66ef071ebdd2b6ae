"""The indexes of lines by item and of movements by lot hold all that a redraw reads, so that it looks up no row."""

from alembic import op

revision = "0013"
down_revision = "0012"


def upgrade() -> None:
    """Two indexes are made anew."""
    op.drop_index("ix_line_workshop_id_item_id_paper", "line")
    op.create_index(
        "ix_line_item", "line", ["workshop_id", "item_id", "paper", "document_id", "n", "quantity", "lot_id", "place"]
    )
    op.drop_index("ix_movement_lot", "movement")
    op.create_index("ix_movement_lot", "movement", ["workshop_id", "lot_id", "document_id", "n", "line", "quantity"])
