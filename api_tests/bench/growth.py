"""A million movements beside a thousand: recording, checking, and bytes on the disk."""

import sqlite3
import subprocess
import sys
from os import environ
from pathlib import Path
from typing import Any

from api_tests.bench import books, rig
from api_tests.bench.callers import Callers
from api_tests.bench.figures import Figure, middle
from api_tests.bench.history import History, Likes, write
from api_tests.bench.wire import Wire, request

BLOCK, WARM = 10, 3  # short blocks: whoever else uses the machine then slows both sides alike
SMALL = 1_000  # movements


def likes_of(file: Path) -> tuple[History, Likes]:
    """Record one paper of each kind through the service, and read back what it wrote."""
    with rig.service(rig.url_of(file)) as (port, _):
        wire = Wire(port)

        def post(path: str, key: str, **body: Any) -> Any:
            return wire.json(request("POST", f"/v1/{path}", rig.TOKEN, body, key), 201)

        planned = post("runs", "like-planned", **books.RUN, status="planned")["batch"]["code"]
        run = wire.json(request("POST", f"/v1/runs/{planned}/completion", rig.TOKEN, {}, "like-made"))
        scrapped = post("runs", "like-scrapped", **books.RUN, outcome="scrapped", note="fell", reason="spilt")
        lot = run["batch"]["lots"][0]["lot"]
        disposal = post("disposals", "like-disposal", lot=lot, quantity=1, reason="gift")
        wire.close()
    history = History(file)
    ids = dict(history.connection.execute("SELECT code, id FROM document").fetchall())
    found = history.connection.execute("SELECT id FROM document WHERE kind = 'receipt' ORDER BY id").fetchall()
    receipts = {rows["lot"][0]["item_id"]: rows for rows in (history.of(id_) for (id_,) in found)}
    made, gone = history.of(ids[run["batch"]["code"]]), history.of(ids[scrapped["batch"]["code"]])
    given = history.of(ids[disposal["disposal"]])
    return history, Likes(list(receipts.values()), made, gone, given, history.answer_to("like-made"))


def sizes(file: Path) -> dict[str, int]:
    """Bytes of every table and index, as its pages on the disk."""
    connection = sqlite3.connect(file)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    found = dict(connection.execute("SELECT name, sum(pgsize) FROM dbstat WHERE aggregate = TRUE GROUP BY name").fetchall())
    tables = dict(connection.execute("SELECT name, tbl_name FROM sqlite_schema").fetchall())
    connection.close()
    by_table: dict[str, int] = {}
    for name, size in found.items():
        table = str(tables.get(name, name))
        by_table[table] = by_table.get(table, 0) + size
    return by_table


def one(file: Path, sql: str) -> int:
    connection = sqlite3.connect(file)
    found = connection.execute(sql).fetchone()[0]
    connection.close()
    return int(found)


def verify(file: Path) -> str:
    """What `verify` says of the whole file."""
    done = subprocess.run(
        [sys.executable, "-m", "service", "verify"],
        cwd=rig.ROOT, env={**environ, **rig.environment(rig.url_of(file), 0)}, capture_output=True, text=True, timeout=600,
    )  # fmt: skip
    return (done.stdout + done.stderr).strip().splitlines()[-1]


def measure(quick: bool, folder: Path) -> list[Figure]:
    movements, lots = (100_000, 2_000) if quick else (1_000_000, 20_000)
    small, large = folder / "small.db", folder / "large.db"
    rig.fresh(rig.url_of(small))
    rig.copy(small, large)
    history, likes = likes_of(large)
    write(history, likes, movements, lots)
    history.close()
    said = verify(large)
    assert said.startswith("the books add up"), said
    counted = (one(large, "SELECT count(*) FROM movement"), one(large, "SELECT count(*) FROM lot WHERE id <> item_id"))
    assert counted[0] >= movements, counted
    assert counted[1] >= lots, counted
    each = sizes(large)["movement"] / counted[0]
    words = f"{counted[0]:,} movements, {counted[1]:,} lots, {large.stat().st_size / 1e6:,.0f} MB in all; {said}"
    bytes_ = Figure("growth", "bytes a movement, with its index", each, words, most=120)
    return [*compare(quick, folder, small, large), bytes_]


def compare(quick: bool, folder: Path, small: Path, large: Path) -> list[Figure]:
    """Blocks of the same requests on both, in turns; then what a run adds to the file."""
    disk = rig.Disk(folder)
    took: dict[tuple[str, str], list[float]] = {}
    rounds = WARM + (12 if quick else 40)
    grown = books.runs(rig.TOKEN, "grown", rounds * BLOCK)
    with (
        rig.service(rig.url_of(small)) as (port, _),
        rig.service(rig.url_of(large)) as (other, _),
        Callers(port, rig.THERE) as little,
        Callers(other, rig.THERE) as much,
    ):
        for callers in (little, much):  # both: as many finished lots are open on either side
            load = callers.ask(books.runs(rig.TOKEN, "first", SMALL // 15))
            assert not load.failed, load.statuses
        check = [request("POST", "/v1/checks", rig.TOKEN, books.CHECK)] * BLOCK
        for n in range(rounds):
            disk.sample()
            for name, callers in (("little", little), ("much", much)):
                runs = grown[n * BLOCK : (n + 1) * BLOCK]
                for what, messages in (("record", runs), ("check", check)):
                    load = callers.ask(messages)
                    assert not load.failed, load.statuses
                    if n >= WARM:
                        took.setdefault((what, name), []).append(middle(load.seconds))
    figures = []
    for what in ("record", "check"):
        few, many = took[what, "little"], took[what, "much"]
        ratio = middle([b / a for a, b in zip(few, many, strict=True)])
        words = f"p50 {middle(many) * 1000:.2f} ms at {one(large, 'SELECT count(*) FROM movement'):,} movements, "
        words += f"{middle(few) * 1000:.2f} ms at {SMALL:,}"
        pace = disk.p50 if what == "record" else None
        figures.append(Figure("growth", f"{what}: much / little", ratio, words, most=1.25, disk_ms=pace))
    return [*figures, per_run(small, 150 if quick else 500)]


def per_run(file: Path, count: int) -> Figure:
    """What recorded runs add to the file, stored answers included."""
    before = sizes(file)
    with rig.service(rig.url_of(file)) as (port, _), Callers(port, rig.THERE) as callers:
        load = callers.ask(books.runs(rig.TOKEN, "stored", count))
        assert not load.failed
    after = sizes(file)
    grew = {name: (after[name] - before.get(name, 0)) / count for name in after if after[name] != before.get(name, 0)}
    words = ", ".join(f"{name} {size:,.0f}" for name, size in sorted(grew.items(), key=lambda pair: -pair[1]))
    return Figure("growth", "bytes a run, all tables", sum(grew.values()), words)
