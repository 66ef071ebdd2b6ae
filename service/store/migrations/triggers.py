"""Law 2: the database itself refuses to change or delete what was recorded. Re-made after every upgrade."""

from sqlalchemy import Connection, text

APPEND_ONLY = ("document", "line", "named_lot", "lot_edit", "movement")


def names(engine: str) -> list[str]:
    """Every trigger that must exist on `sqlite` or `postgresql`."""
    verbs = ("update", "delete") if engine == "sqlite" else ("update", "delete", "truncate")
    return sorted(f"{table}_no_{verb}" for table in APPEND_ONLY for verb in verbs)


def install(connection: Connection) -> None:
    """Drop and create all triggers for the engine at hand."""
    for table in APPEND_ONLY:
        if connection.dialect.name == "sqlite":
            _sqlite(connection, table)
        else:
            _postgresql(connection, table)


def _sqlite(connection: Connection, table: str) -> None:
    for verb in ("UPDATE", "DELETE"):
        name = f"{table}_no_{verb.lower()}"
        connection.execute(text(f"DROP TRIGGER IF EXISTS {name}"))
        connection.execute(
            text(f"CREATE TRIGGER {name} BEFORE {verb} ON {table} BEGIN SELECT RAISE(ABORT, '{table} is append-only'); END")
        )


def _postgresql(connection: Connection, table: str) -> None:
    connection.execute(
        text(
            "CREATE OR REPLACE FUNCTION append_only() RETURNS trigger LANGUAGE plpgsql AS "
            "$$ BEGIN RAISE EXCEPTION '% is append-only', TG_TABLE_NAME; END $$"
        )
    )
    for verb, each in (("UPDATE", "ROW"), ("DELETE", "ROW"), ("TRUNCATE", "STATEMENT")):
        name = f"{table}_no_{verb.lower()}"
        connection.execute(text(f"DROP TRIGGER IF EXISTS {name} ON {table}"))
        connection.execute(text(f"CREATE TRIGGER {name} BEFORE {verb} ON {table} FOR EACH {each} EXECUTE FUNCTION append_only()"))
