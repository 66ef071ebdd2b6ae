"""Recording a run over HTTP beside the same statements in bare sqlite3, block by block."""

import time
from pathlib import Path

from api_tests.bench import books, rig, tape
from api_tests.bench.callers import Callers
from api_tests.bench.figures import Figure, middle
from api_tests.bench.wire import Wire

BLOCK, WARM = 10, 3  # runs in a block; blocks that only warm up


def recorded(file: Path, count: int) -> list[list[tape.Said]]:
    """Record runs in this process and answer what reached the database, transaction by transaction."""
    caught = tape.Tape()
    with tape.inside(rig.settings(rig.url_of(file)), lambda engine: tape.tape_sqlite(engine, caught)) as port:
        wire = Wire(port)
        for message in books.runs(rig.TOKEN, "run", count):
            wire.json(message, 201)
        wire.close()
    found = caught.transactions()
    assert len(found) == count, f"{len(found)} transactions for {count} runs"
    return found


def measure(quick: bool, folder: Path) -> list[Figure]:
    blocks = WARM + (15 if quick else 60)
    rig.fresh(rig.url_of(folder / "books.db"))
    said = recorded(rig.copy(folder / "books.db", folder / "taped.db"), blocks * BLOCK)
    bare = tape.bare(str(rig.copy(folder / "books.db", folder / "bare.db")))
    served = rig.copy(folder / "books.db", folder / "served.db")
    disk = rig.Disk(folder)
    asked = books.runs(rig.TOKEN, "run", blocks * BLOCK)
    ratios, ours, theirs = [], [], []
    with rig.service(rig.url_of(served)) as (port, _), Callers(port, rig.THERE) as callers, rig.pinned(rig.HERE):
        for n in range(blocks):
            disk.sample()
            part = slice(n * BLOCK, (n + 1) * BLOCK)
            began = time.perf_counter()
            for transaction in said[part]:
                tape.say(bare, transaction)
            without = (time.perf_counter() - began) / BLOCK
            load = callers.ask(asked[part])
            assert not load.failed, load.statuses
            if n >= WARM:
                ours.append(load.wall / BLOCK)
                theirs.append(without)
                ratios.append(without / ours[-1])
    counted = bare.execute("SELECT count(*) FROM movement").fetchall()
    bare.close()
    kept = tape.bare(str(served))
    assert counted == kept.execute("SELECT count(*) FROM movement").fetchall(), "not the same was written"
    kept.close()
    words = f"{middle(ours) * 1000:.2f} ms a run over HTTP, {middle(theirs) * 1000:.2f} ms bare, {len(said[-1])} statements"
    return [Figure("runs", "one client / bare sqlite3", middle(ratios), words, least=0.40, disk_ms=disk.p50)]
