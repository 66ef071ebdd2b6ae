"""What SQLite's planner is told of the tables: the figures of one large workshop, whatever is there.

Every key begins with the workshop, which nearly all rows share. Without figures SQLite takes that for selective and may read
a whole workshop's movements to find a few; with figures gathered once it would plan for the size that the books had then.
Source: "Query Planning ... Using The sqlite_stat1 Table", https://www.sqlite.org/optoverview.html and fileformat2.html#stat1tab
(a row for each index: its rows, then for each prefix of its columns how many rows share it; it may be written by hand).
"""

from sqlalchemy import Connection, text

ROWS = {"movement": 1_000_000, "line": 1_000_000, "lot": 20_000, "named_lot": 20_000, "item": 500, "workshop": 10, "token": 20}
USUAL_ROWS = 100_000
PARTIAL = 100  # one row in so many is in an index that takes only some
DIFFERENT = {"workshop_id": 10, "kind": 10, "item_id": 500, "customer": 500, "lot_id": 20_000}  # values of a column
USUALLY_DIFFERENT = 100_000


def install(connection: Connection) -> None:
    """Write them for every index that there is; connections that open the database from now on plan by them."""
    if connection.dialect.name != "sqlite":
        return
    connection.execute(text("ANALYZE sqlite_schema"))  # makes the table where it is missing, and looks at no row
    connection.execute(text("DELETE FROM sqlite_stat1"))
    add = text("INSERT INTO sqlite_stat1 (tbl, idx, stat) VALUES (:table, :index, :figures)")
    for table in connection.scalars(
        text("SELECT name FROM sqlite_schema WHERE type = 'table' AND sql LIKE 'CREATE TABLE%'")
    ).all():
        for index, figures in _indexes(connection, table):
            connection.execute(add, {"table": table, "index": index, "figures": figures})
    connection.execute(text("ANALYZE sqlite_schema"))  # this connection reads them too


def _indexes(connection: Connection, table: str) -> list[tuple[str, str]]:
    """The indexes of a table, each with its figures."""
    without_rowid = (
        "WITHOUT ROWID" in connection.scalar(text("SELECT sql FROM sqlite_schema WHERE name = :t"), {"t": table}).upper()
    )
    found = []
    for index in connection.execute(text(f'PRAGMA index_list("{table}")')).mappings():
        columns = [row["name"] for row in connection.execute(text(f'PRAGMA index_info("{index["name"]}")')).mappings()]
        rows = ROWS.get(table, USUAL_ROWS) // (PARTIAL if index["partial"] else 1)
        name = table if without_rowid and index["origin"] == "pk" else index["name"]
        found.append((name, _figures(rows, columns, bool(index["unique"]))))
    return found


def _figures(rows: int, columns: list[str], unique: bool) -> str:
    alike, said = rows, [rows]
    for column in columns:
        alike = max(1, alike // DIFFERENT.get(column, USUALLY_DIFFERENT))
        said.append(alike)
    if unique:
        said[-1] = 1
    return " ".join(map(str, said))
