"""Papers that come late: what a draw needs to be run again. Every item of older books is drawn again once (`redrawn`)."""

import json
from datetime import UTC, date, datetime
from typing import Any

import sqlalchemy as sa
from alembic import op

from service.core.stock import happening

revision = "0002"
down_revision = "0001"
KEPT = ("status", "expires_on", "retest_on", "ready_on", "opened_on", "place")


def upgrade() -> None:
    """Add columns and tables, then say of older papers what they always meant."""
    bind = op.get_bind()
    for table in ("document", "line", "movement"):
        _let(bind, table)
    _columns()
    _tables()
    _state(bind)
    _named(bind)
    _outputs(bind)
    op.drop_column("line", "lot_quantity")
    _edits(bind)
    _ranks(bind)
    _open_lots_last()


def _open_lots_last() -> None:
    """Of two indexes that serve alike SQLite takes the one that was made last: the one without emptied lots."""
    holds = sa.text("on_hand <> 0")
    op.drop_index("ix_lot_open", "lot")
    op.create_index("ix_lot_open", "lot", ["workshop_id", "item_id"], sqlite_where=holds, postgresql_where=holds)


def _let(bind: sa.Connection, table: str) -> None:
    """Let append-only rows be completed; the triggers are made again after every upgrade."""
    verbs = ("update", "delete") if bind.dialect.name == "sqlite" else ("update", "delete", "truncate")
    for verb in verbs:
        on = f" ON {table}" if bind.dialect.name == "postgresql" else ""
        bind.execute(sa.text(f"DROP TRIGGER IF EXISTS {table}_no_{verb}{on}"))


def _columns() -> None:
    no, zero = sa.text("false"), sa.text("0")
    op.add_column("document", sa.Column("states", sa.Boolean(), nullable=False, server_default=sa.text("true")))
    op.add_column("item", sa.Column("latest", sa.BigInteger(), nullable=False, server_default=zero))
    op.add_column("item", sa.Column("before", sa.BigInteger(), nullable=False, server_default=zero))
    op.add_column("item", sa.Column("counted_on", sa.Date(), nullable=True))
    op.add_column("item", sa.Column("redrawn", sa.Boolean(), nullable=False, server_default=no))
    op.add_column("line", sa.Column("output", sa.Integer(), nullable=True))
    op.add_column("line", sa.Column("mass_mg", sa.BigInteger(), nullable=True))
    op.add_column("line", sa.Column("place", sa.Text(), nullable=True))
    op.add_column("lot", sa.Column("opened_by_hand", sa.Boolean(), nullable=False, server_default=no))
    op.add_column("lot", sa.Column("arrived", sa.Text(), nullable=True))
    op.add_column("lot", sa.Column("set_apart", sa.Boolean(), nullable=False, server_default=no))
    for name, table, column in (
        ("ix_document_caused_by", "document", "caused_by_id"),
        ("ix_document_corrects", "document", "corrects_id"),
        ("ix_line_lot", "line", "lot_id"),
    ):
        some = sa.text(f"{column} IS NOT NULL")
        op.create_index(name, table, ["workshop_id", column], sqlite_where=some, postgresql_where=some)


def _tables() -> None:
    def ids(*names: str) -> list[sa.Column[int]]:
        return [sa.Column(name, sa.BigInteger(), autoincrement=False, nullable=False) for name in names]

    op.create_table(
        "place", *ids("workshop_id"), sa.Column("place", sa.Text(), nullable=False),
        sa.Column("production", sa.Boolean(), nullable=False), sa.PrimaryKeyConstraint("workshop_id", "place", name="pk_place"),
        sqlite_with_rowid=False,
    )  # fmt: skip
    for name, keys, more in (
        ("lot_edit", ("document_id", "lot_id"), [sa.Column("facts", sa.Text(), nullable=False)]),
        ("named_lot", ("document_id", "n", "k"), [*ids("lot_id"), sa.Column("quantity", sa.BigInteger(), nullable=True)]),
    ):
        op.create_table(
            name, *ids("workshop_id", *keys), *more,
            sa.ForeignKeyConstraint(["workshop_id", "document_id"], ["document.workshop_id", "document.id"],
                                    name=f"fk_{name}_workshop_id_document_id"),
            sa.ForeignKeyConstraint(["workshop_id", "lot_id"], ["lot.workshop_id", "lot.id"],
                                    name=f"fk_{name}_workshop_id_lot_id"),
            sa.PrimaryKeyConstraint("workshop_id", *keys, name=f"pk_{name}"), sqlite_with_rowid=False,
        )  # fmt: skip
        op.create_index(f"ix_{name}_workshop_id_lot_id", name, ["workshop_id", "lot_id"])


def _state(bind: sa.Connection) -> None:
    """Corrections of the first version only followed from counts."""
    bind.execute(sa.text("UPDATE document SET states = false WHERE kind = 'correction'"))


def _named(bind: sa.Connection) -> None:
    """A run's line named at most one lot, in the line itself."""
    runs = "EXISTS (SELECT 1 FROM document d WHERE d.workshop_id = l.workshop_id AND d.id = l.document_id AND d.kind = 'run')"
    bind.execute(sa.text(
        "INSERT INTO named_lot (workshop_id, document_id, n, k, lot_id, quantity) SELECT l.workshop_id, l.document_id, l.n, 0,"
        f" l.lot_id, l.lot_quantity FROM line l WHERE l.lot_id IS NOT NULL AND l.quantity <= 0 AND {runs}"
    ))  # fmt: skip
    runs = runs.replace("l.", "line.")
    bind.execute(sa.text(f"UPDATE line SET lot_id = NULL WHERE quantity <= 0 AND {runs}"))


def _outputs(bind: sa.Connection) -> None:
    """Which lot a run's output became, what it weighs, and which packaging went to it."""
    bind.execute(sa.text(
        "UPDATE line SET lot_id = (SELECT lot.id FROM lot WHERE lot.workshop_id = line.workshop_id AND"
        " lot.document_id = line.document_id AND lot.item_id = line.item_id) WHERE lot_id IS NULL AND quantity > 0"
        " AND EXISTS (SELECT 1 FROM document d WHERE d.workshop_id = line.workshop_id AND d.id = line.document_id"
        " AND d.kind = 'run')"
    ))  # fmt: skip
    bind.execute(sa.text(
        "UPDATE line SET mass_mg = quantity * COALESCE((SELECT p.fill_mg FROM product p WHERE p.workshop_id ="
        " line.workshop_id AND p.id = line.item_id), 1) WHERE quantity > 0 AND lot_id IS NOT NULL"
    ))  # fmt: skip
    bind.execute(sa.text(
        "UPDATE line SET output = (SELECT MIN(o.n) FROM line o JOIN product_part pp ON pp.workshop_id = o.workshop_id AND"
        " pp.product_id = o.item_id AND pp.item_id = line.item_id WHERE o.workshop_id = line.workshop_id AND"
        " o.document_id = line.document_id AND o.quantity > 0 AND pp.inside IS FALSE"
        " AND pp.quantity * o.quantity = -line.quantity) WHERE quantity < 0"
    ))  # fmt: skip


def _edits(bind: sa.Connection) -> None:
    """Edits of lots kept what was before and after in their document."""
    rows = bind.execute(sa.text(
        "SELECT d.workshop_id, d.id, d.facts, l.lot_id FROM document d JOIN line l ON l.workshop_id = d.workshop_id AND"
        " l.document_id = d.id WHERE d.kind = 'edit' ORDER BY d.id"
    )).all()  # fmt: skip
    before: dict[tuple[int, int], dict[str, Any]] = {}
    for row in rows:
        facts = json.loads(row.facts)
        after = {name: value for name, value in facts["after"].items() if name != "use_by"}
        if "opened_on" in after:
            after["opened_by_hand"] = after["opened_on"] is not None
        values = {"w": row.workshop_id, "d": row.id, "l": row.lot_id, "f": json.dumps(after)}
        bind.execute(sa.text("INSERT INTO lot_edit (workshop_id, document_id, lot_id, facts) VALUES (:w, :d, :l, :f)"), values)
        first = before.setdefault((row.workshop_id, row.lot_id), {})
        for name, value in facts["before"].items():
            if name in KEPT:
                first.setdefault(name, value)
    for (workshop, lot), first in before.items():
        now = bind.execute(
            sa.text(f"SELECT {', '.join(KEPT)} FROM lot WHERE workshop_id = :w AND id = :l"), {"w": workshop, "l": lot}
        ).one()
        arrived = {name: first.get(name, getattr(now, name)) for name in KEPT}
        arrived |= {"opened_by_hand": False, "set_apart": False, "opened_on": None}
        values = {"w": workshop, "l": lot, "f": json.dumps(arrived, default=str)}
        bind.execute(sa.text("UPDATE lot SET arrived = :f WHERE workshop_id = :w AND id = :l"), values)


def _ranks(bind: sa.Connection) -> None:
    """The rank of each item's latest paper, and the day of its last count."""
    latest: dict[tuple[int, int], tuple[int, date | None]] = {}
    rows = bind.execute(sa.text(
        "SELECT l.workshop_id, l.item_id, d.kind, d.happened_on, d.happened_at FROM line l JOIN document d"
        " ON d.workshop_id = l.workshop_id AND d.id = l.document_id"
    ))  # fmt: skip
    for row in rows:
        day, at = _day(row.happened_on), _moment(row.happened_at)
        count = row.kind == "count"
        rank = happening.rank(day, at, happening.ASSUMED, happening.OF_ITEM if count else 0)
        known, counted = latest.get((row.workshop_id, row.item_id), (0, None))
        counted = max(counted or day, day) if count else counted
        latest[(row.workshop_id, row.item_id)] = (max(known, rank), counted)
    for (workshop, item), (rank, counted) in latest.items():
        values = {"r": rank, "c": counted.isoformat() if counted else None, "w": workshop, "i": item}
        if bind.dialect.name == "postgresql":
            values["c"] = counted  # type: ignore[assignment]
        bind.execute(sa.text("UPDATE item SET latest = :r, counted_on = :c WHERE workshop_id = :w AND id = :i"), values)


def _day(value: Any) -> date:
    return value if isinstance(value, date) else date.fromisoformat(str(value))


def _moment(value: Any) -> datetime | None:
    if value is None:
        return None
    found = value if isinstance(value, datetime) else datetime.fromisoformat(str(value))
    return found if found.tzinfo else found.replace(tzinfo=UTC)
