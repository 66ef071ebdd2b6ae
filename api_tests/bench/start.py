"""From the command to the first ready answer, beside a bare FastAPI and SQLModel app; and memory after many runs."""

import sys
import time
from pathlib import Path

from api_tests.bench import books, rig
from api_tests.bench.callers import Callers
from api_tests.bench.figures import Figure, middle

CLIENTS = 4


def cold(command: list[str], environment: dict[str, str], port: int) -> float:
    """Seconds until the first 200; the process is ended again."""
    with rig.pinned(rig.THERE):  # who waits does not take the starter's core
        began = time.perf_counter()
        process = rig.launch(command, rig.HERE, environment)
        try:
            rig.until_ready(process, port)
            return time.perf_counter() - began
        finally:
            process.terminate()
            process.wait(20)


def starts(folder: Path, times: int) -> list[Figure]:
    """The service on a database it knows, the bare app on one it knows, and the service's very first start, in turns."""
    known, bare_url = rig.url_of(folder / "books.db"), rig.url_of(folder / "bare.db")
    ours, theirs, first = [], [], []
    for n in range(times + 1):
        port = rig.free_port()
        bare = [sys.executable, "-m", "api_tests.bench.bare_app"]
        theirs.append(cold(bare, {"BARE_DATABASE_URL": bare_url, "PORT": str(port)}, port))
        serve = [sys.executable, "-m", "service", "serve"]
        port = rig.free_port()
        ours.append(cold(serve, rig.environment(known, port), port))
        if n < max(2, times // 2):
            port = rig.free_port()
            first.append(cold(serve, rig.environment(rig.url_of(folder / f"first-{n}.db"), port), port))
    ratio = middle([one / other for one, other in zip(ours[1:], theirs[1:], strict=True)])
    words = f"{middle(ours[1:]):.2f} s, {middle(theirs[1:]):.2f} s for the bare app"
    new = middle(first) / middle(theirs[1:])
    return [
        Figure("start", "first ready answer / bare app", ratio, words, most=1.6),
        Figure("start", "the same on a new database", new, f"{middle(first):.2f} s, migrations too"),
    ]


def memory(url: str, runs: int) -> Figure:
    """Resident megabytes once these runs are recorded."""
    with rig.service(url) as (port, pid), Callers(port, rig.THERE) as callers:
        at_first = rig.resident_mb(pid)
        each = runs // CLIENTS
        load = callers.ask(*(books.runs(rig.TOKEN, f"many-{n}", each) for n in range(CLIENTS)))
        assert not load.failed, f"{load.failed} runs failed"
        after = rig.resident_mb(pid)
    return Figure("start", f"resident MB after {len(load.seconds):,} runs", after, f"{at_first:.0f} MB before them", most=140)


def measure(quick: bool, folder: Path) -> list[Figure]:
    rig.fresh(rig.url_of(folder / "books.db"))
    return [*starts(folder, 3 if quick else 9), memory(rig.url_of(folder / "books.db"), 1_000 if quick else 10_000)]
