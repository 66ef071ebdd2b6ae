"""The ground floor: workshops, items, formulas, lots, the ledger, runs. Frozen as it was; later versions change it."""

import sqlalchemy as sa
from alembic import op

from service.store.tables import UtcTime

revision = "0001"
down_revision = None
moment = UtcTime()


def upgrade() -> None:
    """Create every table of the first version."""
    op.create_table(
        "counter",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("series", sa.Text(), nullable=False),
        sa.Column("last", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("workshop_id", "series", name=op.f("pk_counter")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "document",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("happened_on", sa.Date(), nullable=False),
        sa.Column("happened_at", moment, nullable=True),
        sa.Column("recorded_at", moment, nullable=False),
        sa.Column("token_id", sa.BigInteger(), nullable=True),
        sa.Column("recorded_by", sa.Text(), nullable=False),
        sa.Column("reverses_id", sa.BigInteger(), nullable=True),
        sa.Column("corrects_id", sa.BigInteger(), nullable=True),
        sa.Column("caused_by_id", sa.BigInteger(), nullable=True),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["workshop_id", "caused_by_id"],
            ["document.workshop_id", "document.id"],
            name=op.f("fk_document_workshop_id_caused_by_id"),
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "corrects_id"],
            ["document.workshop_id", "document.id"],
            name=op.f("fk_document_workshop_id_corrects_id"),
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "reverses_id"],
            ["document.workshop_id", "document.id"],
            name=op.f("fk_document_workshop_id_reverses_id"),
        ),
        sa.PrimaryKeyConstraint("workshop_id", "id", name=op.f("pk_document")),
        sa.UniqueConstraint("workshop_id", "code", name=op.f("uq_document_workshop_id_code")),
        sa.UniqueConstraint("workshop_id", "reverses_id", name=op.f("uq_document_workshop_id_reverses_id")),
    )
    op.create_index(op.f("ix_document_workshop_id_kind_id"), "document", ["workshop_id", "kind", "id"], unique=False)
    op.create_table(
        "idempotency",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("fingerprint", sa.Text(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("created_at", moment, nullable=False),
        sa.PrimaryKeyConstraint("workshop_id", "key", name=op.f("pk_idempotency")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "item",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("stocked", sa.Boolean(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("shelf_life_days", sa.Integer(), nullable=True),
        sa.Column("opened_life_days", sa.Integer(), nullable=True),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.Column("papers", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("kind IN ('ingredient','packaging','bulk','product')", name=op.f("ck_item_kind")),
        sa.CheckConstraint("unit IN ('g','piece')", name=op.f("ck_item_unit")),
        sa.PrimaryKeyConstraint("workshop_id", "id", name=op.f("pk_item")),
        sa.UniqueConstraint("workshop_id", "code", name=op.f("uq_item_workshop_id_code")),
    )
    op.create_table(
        "run",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("formula_id", sa.BigInteger(), nullable=True),
        sa.Column("product_id", sa.BigInteger(), nullable=True),
        sa.Column("version_id", sa.BigInteger(), nullable=True),
        sa.Column("units", sa.BigInteger(), nullable=True),
        sa.Column("batch_mg", sa.BigInteger(), nullable=True),
        sa.Column("planned_on", sa.Date(), nullable=True),
        sa.Column("made_on", sa.Date(), nullable=True),
        sa.Column("plan_id", sa.BigInteger(), nullable=True),
        sa.Column("document_id", sa.BigInteger(), nullable=True),
        sa.Column("facts", sa.Text(), nullable=False),
        sa.CheckConstraint("state IN ('planned','completed','cancelled','reversed')", name=op.f("ck_run_state")),
        sa.PrimaryKeyConstraint("workshop_id", "id", name=op.f("pk_run")),
        sa.UniqueConstraint("workshop_id", "code", name=op.f("uq_run_workshop_id_code")),
    )
    op.create_index(
        "ix_run_planned",
        "run",
        ["workshop_id", "id"],
        unique=False,
        sqlite_where=sa.text("state = 'planned'"),
        postgresql_where=sa.text("state = 'planned'"),
    )
    op.create_table(
        "token",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("scopes", sa.Text(), nullable=False),
        sa.Column("secret_hash", sa.Text(), nullable=False),
        sa.Column("expires_on", sa.Date(), nullable=True),
        sa.Column("created_at", moment, nullable=False),
        sa.Column("last_used_at", moment, nullable=True),
        sa.Column("revoked_at", moment, nullable=True),
        sa.PrimaryKeyConstraint("workshop_id", "id", name=op.f("pk_token")),
        sa.UniqueConstraint("workshop_id", "code", name=op.f("uq_token_workshop_id_code")),
        sa.UniqueConstraint("workshop_id", "secret_hash", name=op.f("uq_token_workshop_id_secret_hash")),
    )
    op.create_table(
        "workshop",
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("time_zone", sa.Text(), nullable=False),
        sa.Column("currency", sa.Text(), nullable=False),
        sa.Column("week_start", sa.Text(), nullable=False),
        sa.Column("expiry_warning_days", sa.Integer(), nullable=False),
        sa.Column("created_at", moment, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_workshop")),
        sa.UniqueConstraint("code", name=op.f("uq_workshop_code")),
    )
    op.create_table(
        "formula_version",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("formula_id", sa.BigInteger(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("usual_batch_mg", sa.BigInteger(), nullable=True),
        sa.Column("loss_ppm", sa.BigInteger(), nullable=False),
        sa.Column("loss_mg", sa.BigInteger(), nullable=False),
        sa.Column("rest_days", sa.Integer(), nullable=False),
        sa.Column("bulk_shelf_life_days", sa.Integer(), nullable=True),
        sa.Column("preservation_note", sa.Text(), nullable=True),
        sa.Column("made_on", sa.Date(), nullable=False),
        sa.Column("created_at", moment, nullable=False),
        sa.ForeignKeyConstraint(
            ["workshop_id", "formula_id"], ["item.workshop_id", "item.id"], name=op.f("fk_formula_version_workshop_id_formula_id")
        ),
        sa.PrimaryKeyConstraint("workshop_id", "id", name=op.f("pk_formula_version")),
        sa.UniqueConstraint(
            "workshop_id", "formula_id", "version", name=op.f("uq_formula_version_workshop_id_formula_id_version")
        ),
    )
    op.create_table(
        "line",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("document_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("item_id", sa.BigInteger(), nullable=False),
        sa.Column("paper", sa.BigInteger(), nullable=False),
        sa.Column("quantity", sa.BigInteger(), nullable=False),
        sa.Column("lot_id", sa.BigInteger(), nullable=True),
        sa.Column("lot_quantity", sa.BigInteger(), nullable=True),
        sa.Column("instead_of_id", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["workshop_id", "document_id"], ["document.workshop_id", "document.id"], name=op.f("fk_line_workshop_id_document_id")
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "item_id"], ["item.workshop_id", "item.id"], name=op.f("fk_line_workshop_id_item_id")
        ),
        sa.PrimaryKeyConstraint("workshop_id", "document_id", "n", name=op.f("pk_line")),
        sqlite_with_rowid=False,
    )
    op.create_index(op.f("ix_line_workshop_id_item_id_paper"), "line", ["workshop_id", "item_id", "paper"], unique=False)
    op.create_table(
        "lot",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("item_id", sa.BigInteger(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("document_id", sa.BigInteger(), nullable=True),
        sa.Column("parent_id", sa.BigInteger(), nullable=True),
        sa.Column("supplier", sa.Text(), nullable=True),
        sa.Column("supplier_lot", sa.Text(), nullable=True),
        sa.Column("certificate", sa.Text(), nullable=True),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("made", sa.Boolean(), nullable=False),
        sa.Column("expires_on", sa.Date(), nullable=True),
        sa.Column("expires_assumed", sa.Boolean(), nullable=False),
        sa.Column("retest_on", sa.Date(), nullable=True),
        sa.Column("opened_on", sa.Date(), nullable=True),
        sa.Column("opened_life_days", sa.Integer(), nullable=True),
        sa.Column("use_by", sa.Date(), nullable=False),
        sa.Column("ready_on", sa.Date(), nullable=True),
        sa.Column("status", sa.Text(), nullable=False),
        sa.Column("status_by", sa.Text(), nullable=True),
        sa.Column("status_on", sa.Date(), nullable=True),
        sa.Column("status_reason", sa.Text(), nullable=True),
        sa.Column("place", sa.Text(), nullable=True),
        sa.Column("quantity", sa.BigInteger(), nullable=False),
        sa.Column("cost_micro", sa.BigInteger(), nullable=True),
        sa.Column("estimated", sa.Boolean(), nullable=False),
        sa.Column("on_hand", sa.BigInteger(), nullable=False),
        sa.Column("cost_left_micro", sa.BigInteger(), nullable=True),
        sa.CheckConstraint("status IN ('quarantined','released','rejected')", name=op.f("ck_lot_status")),
        sa.CheckConstraint("(id <> item_id AND on_hand >= 0) OR (id = item_id AND on_hand <= 0)", name=op.f("ck_lot_on_hand")),
        sa.ForeignKeyConstraint(
            ["workshop_id", "item_id"], ["item.workshop_id", "item.id"], name=op.f("fk_lot_workshop_id_item_id")
        ),
        sa.PrimaryKeyConstraint("workshop_id", "id", name=op.f("pk_lot")),
        sa.UniqueConstraint("workshop_id", "code", name=op.f("uq_lot_workshop_id_code")),
    )
    op.create_index(
        "ix_lot_open",
        "lot",
        ["workshop_id", "item_id"],
        unique=False,
        sqlite_where=sa.text("on_hand <> 0"),
        postgresql_where=sa.text("on_hand <> 0"),
    )
    op.create_index(op.f("ix_lot_workshop_id_document_id"), "lot", ["workshop_id", "document_id"], unique=False)
    op.create_index(op.f("ix_lot_workshop_id_item_id_id"), "lot", ["workshop_id", "item_id", "id"], unique=False)
    op.create_table(
        "product",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("formula_id", sa.BigInteger(), nullable=True),
        sa.Column("fill_mg", sa.BigInteger(), nullable=True),
        sa.Column("net_mg", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["workshop_id", "formula_id"], ["item.workshop_id", "item.id"], name="fk_product_formula"),
        sa.ForeignKeyConstraint(["workshop_id", "id"], ["item.workshop_id", "item.id"], name=op.f("fk_product_workshop_id_id")),
        sa.PrimaryKeyConstraint("workshop_id", "id", name=op.f("pk_product")),
    )
    op.create_table(
        "run_line",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("run_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("item_id", sa.BigInteger(), nullable=False),
        sa.Column("quantity", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(
            ["workshop_id", "item_id"], ["item.workshop_id", "item.id"], name=op.f("fk_run_line_workshop_id_item_id")
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "run_id"], ["run.workshop_id", "run.id"], name=op.f("fk_run_line_workshop_id_run_id")
        ),
        sa.PrimaryKeyConstraint("workshop_id", "run_id", "n", name=op.f("pk_run_line")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "formula_line",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("version_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("item_id", sa.BigInteger(), nullable=False),
        sa.Column("share_ppm", sa.BigInteger(), nullable=False),
        sa.Column("rest", sa.Boolean(), nullable=False),
        sa.Column("phase", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["workshop_id", "item_id"], ["item.workshop_id", "item.id"], name=op.f("fk_formula_line_workshop_id_item_id")
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "version_id"],
            ["formula_version.workshop_id", "formula_version.id"],
            name=op.f("fk_formula_line_workshop_id_version_id"),
        ),
        sa.PrimaryKeyConstraint("workshop_id", "version_id", "n", name=op.f("pk_formula_line")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "movement",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("document_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("line", sa.Integer(), nullable=False),
        sa.Column("lot_id", sa.BigInteger(), nullable=False),
        sa.Column("quantity", sa.BigInteger(), nullable=False),
        sa.Column("cost_micro", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(
            ["workshop_id", "document_id"],
            ["document.workshop_id", "document.id"],
            name=op.f("fk_movement_workshop_id_document_id"),
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "lot_id"], ["lot.workshop_id", "lot.id"], name=op.f("fk_movement_workshop_id_lot_id")
        ),
        sa.PrimaryKeyConstraint("workshop_id", "document_id", "n", name=op.f("pk_movement")),
        sqlite_with_rowid=False,
    )
    op.create_index("ix_movement_lot", "movement", ["workshop_id", "lot_id"], unique=False)
    op.create_table(
        "product_part",
        sa.Column("workshop_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("product_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("n", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("item_id", sa.BigInteger(), nullable=False),
        sa.Column("quantity", sa.BigInteger(), nullable=False),
        sa.Column("inside", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(
            ["workshop_id", "item_id"], ["item.workshop_id", "item.id"], name=op.f("fk_product_part_workshop_id_item_id")
        ),
        sa.ForeignKeyConstraint(
            ["workshop_id", "product_id"],
            ["product.workshop_id", "product.id"],
            name=op.f("fk_product_part_workshop_id_product_id"),
        ),
        sa.PrimaryKeyConstraint("workshop_id", "product_id", "n", name=op.f("pk_product_part")),
        sqlite_with_rowid=False,
    )
