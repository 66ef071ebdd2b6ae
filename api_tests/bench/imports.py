"""Importing 250,000 order lines, beside a bare executemany of the same rows in the same run."""

import random
import resource
import sqlite3
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from sqlalchemy import Connection

from api_tests.bench import rig
from api_tests.bench.figures import Figure
from service import serve
from service.actions import access
from service.actions.scope import Scope
from service.actions.selling import imports
from service.actions.selling.import_batch import Added
from service.bulk import ALONE
from service.shapes.imports import OrderImportIn
from service.store import ids, items
from service.store.engine import PRAGMAS, make_engine, writing
from service.store.items import ItemRow
from service.store.writer import Reader, run_once, run_with_retries

PRODUCTS = 400
LEAST, LONGEST_SECONDS, MOST_MB = 0.25, 0.2, 60
HEAD = "Order,Date,Channel,Customer,Product,Quantity,Price\n"


def measure(quick: bool, folder: Path) -> list[Figure]:
    """Lines a second as a share of the bare pace, the longest transaction, and the memory it took."""
    lines = 25_000 if quick else 250_000
    disk = rig.Disk(folder)
    file, database = folder / "orders.csv", folder / "imports.db"
    write(file, lines)
    found(database)
    took, longest, grown = imported(file, database)
    disk.sample()
    bare = bare_pace(database, folder / "bare.db")
    disk.sample()
    said = f"{lines / took:.0f} lines a second; a bare executemany of the same rows {lines / bare:.0f}"
    return [
        Figure("imports", "import / executemany", bare / took, said, least=LEAST, disk_ms=disk.p50),
        Figure("imports", "longest transaction", longest, "seconds, with its commit", most=LONGEST_SECONDS, disk_ms=disk.p50),
        Figure("imports", "memory", grown, "MB more than before it", most=MOST_MB),
    ]


def write(file: Path, lines: int) -> None:
    """An invented shop's export: orders of 1 to 25 lines over two years."""
    dice, day, order = random.Random(11), date(2024, 11, 1), 0
    with file.open("w", encoding="utf-8") as out:
        out.write(HEAD)
        left = lines
        while left:
            order += 1
            some = min(left, dice.randint(1, 25))
            on = day + timedelta(days=730 * (lines - left) // lines)
            for _ in range(some):
                item = dice.randrange(PRODUCTS)
                units, customer = dice.randint(1, 12), dice.randrange(3000)
                out.write(f"S-{order:06},{on},retail,c{customer},product-{item},{units},{item % 40 + 3}.50\n")
            left -= some


def found(database: Path) -> None:
    """A workshop with the products of the file."""
    rig.founded(rig.url_of(database))
    engine = make_engine(rig.url_of(database), 1)

    def add(connection: Connection) -> None:
        workshop = access.first_workshop(connection)
        for n in range(PRODUCTS):
            code = f"product-{n}"
            row = ItemRow(ids.new_id(), code, code, "product", "piece", True, True, None, None, {})
            items.add(connection, workshop.id, row)

    run_once(writing(engine), add)
    engine.dispose()


def imported(file: Path, database: Path) -> tuple[float, float, float]:
    """Seconds for the whole file as the command line does it, the longest transaction, and MB more at the peak."""
    engine = make_engine(rig.url_of(database), 2)
    workshop = Reader(engine).read(access.first_workshop)
    before, longest = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, 0.0

    def act(one: Callable[[Scope], Added]) -> Added:
        nonlocal longest
        began = time.perf_counter()
        added: Added = run_with_retries(writing(engine), lambda connection: one(serve.owner_scope(connection, workshop)))
        longest = max(longest, time.perf_counter() - began)
        return added

    began = time.perf_counter()
    made = imports.look(imports.lines_of(file), OrderImportIn(csv="-"), ZoneInfo("UTC"), datetime.now(UTC).date())
    Reader(engine).read(lambda connection: imports.match(serve.owner_scope(connection, workshop), made))
    imports.run(made, act, size=ALONE)
    took = time.perf_counter() - began
    assert made.added == made.seen.rows, "every line is new"
    engine.dispose()
    return took, longest, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024


def bare_pace(database: Path, target: Path) -> float:
    """Seconds for the same rows into an empty copy of the same tables, in one transaction."""
    rig.copy(database, target)
    source = sqlite3.connect(database)
    orders = source.execute('SELECT * FROM "order"').fetchall()
    lines = source.execute("SELECT * FROM order_line").fetchall()
    source.close()
    connection = sqlite3.connect(target, isolation_level=None)
    connection.executescript('DELETE FROM order_line; DELETE FROM "order"; VACUUM;')
    for pragma in PRAGMAS:
        connection.execute(f"PRAGMA {pragma}").close()
    began = time.perf_counter()
    connection.execute("BEGIN IMMEDIATE")
    connection.executemany(f'INSERT INTO "order" VALUES ({",".join("?" * len(orders[0]))})', orders)
    connection.executemany(f"INSERT INTO order_line VALUES ({','.join('?' * len(lines[0]))})", lines)
    connection.execute("COMMIT")
    took = time.perf_counter() - began
    connection.close()
    return took
