"""What recording a run waits while covers and forecasts are computed one after another, and while order lines are imported."""

import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

from api_tests.bench import books, rig
from api_tests.bench.callers import Callers, Load
from api_tests.bench.figures import Figure, middle, quantile
from api_tests.bench.wire import HOST, Wire, request

PRODUCTS = 60
MOST = 5
SECONDS = 3.0  # of each beside, in a round


def measure(quick: bool, folder: Path) -> list[Figure]:
    """Runs on their own, then beside each of the two, in turns; the service has the cores that a machine of two has."""
    file, lines, rounds = folder / "books.db", 5_000 if quick else 20_000, 2 if quick else 5
    rig.fresh(rig.url_of(file))
    disk = rig.Disk(folder)
    alone, covers, imports = Load([], [], 0), (Load([], [], 0), Load([], [], 0)), (Load([], [], 0), Load([], [], 0))
    with rig.service(rig.url_of(file), rig.HERE | rig.THERE) as (port, _):
        wire = Wire(port)
        fill(wire, lines)
        wire.json(request("GET", "/v1/cover", rig.TOKEN))
        wire.close()
        with Callers(port, rig.THERE) as recorder, Callers(port, rig.THERE) as asker:
            recorder.ask(books.runs(rig.TOKEN, "warm", 50))
            for n in range(rounds):
                disk.sample()
                add(alone, recorder.ask(books.runs(rig.TOKEN, f"alone-{n}", 100)))
                beside(recorder, asker, questions(n), f"cover-{n}", covers)
                beside(recorder, asker, [imported(f"N{n}-{k}", lines) for k in range(20)], f"import-{n}", imports)
    figures = [figure("covers and forecasts", alone, *covers, disk.p50), figure("imports", alone, *imports, disk.p50)]
    failed = alone.failed + sum(load.failed for load in (*covers, *imports))
    return [*figures, Figure("meanwhile", "failures", failed, "of all requests", most=0)]


def add(to: Load, load: Load) -> None:
    """One more round."""
    to.statuses += load.statuses
    to.seconds += load.seconds
    to.wall += load.wall


def figure(what: str, idle: Load, runs: Load, others: Load, disk_ms: float) -> Figure:
    """How long runs took beside the others, over how long they take alone."""
    alone, p50, p99 = (1000 * one for one in (middle(idle.seconds), middle(runs.seconds), quantile(runs.seconds, 0.99)))
    said = (
        f"run p50 {alone:.1f} ms alone; {p50:.1f} ms, p99 {p99:.1f} ms ({p99 / alone:.1f} x) beside {len(others.seconds)} "
        f"answers of {middle(others.seconds):.2f} s; {len(runs.seconds)} runs"
    )
    return Figure("meanwhile", f"a run beside {what} / alone", p50 / alone, said, most=MOST, disk_ms=disk_ms)


def beside(recorder: Callers, asker: Callers, asked: list[bytes], name: str, found: tuple[Load, Load]) -> None:
    """Runs without a pause while another client asks one after another."""
    asker.begin(asked, for_seconds=SECONDS)
    recorder.begin(books.runs(rig.TOKEN, name, 20_000), for_seconds=SECONDS)
    add(found[0], recorder.end())
    add(found[1], asker.end())


def questions(n: int) -> list[bytes]:
    """Imagined orders of which none was asked before, and forecasts between them."""
    asked = [request("POST", "/v1/cover", rig.TOKEN, imagined(100 * n + units + 1)) for units in range(100)]
    asked[::4] = [request("GET", f"/v1/forecasts/salve-{k % PRODUCTS}", rig.TOKEN) for k in range(len(asked[::4]))]
    return asked


def imagined(units: int) -> dict[str, object]:
    return {"what_if": [{"product": "salve-0", "units": units, "due_on": "2100-01-01"}]}


def fill(wire: Wire, lines: int) -> None:
    """Products that sell, and two years of them."""
    for n in range(PRODUCTS):
        body = {"code": f"salve-{n}", "name": f"Salve {n}", "formula": "base", "fill_g": 30 + n}
        wire.json(request("POST", "/v1/products", rig.TOKEN, body), 201)
    wire.json(imported("S", lines), 201)


def imported(stem: str, lines: int) -> bytes:
    """An invented shop's export: orders of one to five lines over two years."""
    dice, today = random.Random(stem), datetime.now(UTC).date()
    rows, order = ["order,date,product,quantity"], 0
    while len(rows) <= lines:
        order += 1
        day = today - timedelta(days=730 - 729 * len(rows) // lines)
        rows += [f"{stem}-{order},{day},salve-{dice.randrange(PRODUCTS)},{dice.randint(1, 6)}" for _ in range(dice.randint(1, 5))]
    content = ("\n".join(rows) + "\n").encode()
    head = [
        "POST /v1/imports/orders HTTP/1.1", f"Host: {HOST}", f"Content-Length: {len(content)}", "Content-Type: text/csv",
        f"Authorization: Bearer {rig.TOKEN}",
    ]  # fmt: skip
    return "\r\n".join([*head, "", ""]).encode() + content
