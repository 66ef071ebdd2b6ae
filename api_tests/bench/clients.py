"""Many clients at once on SQLite: eight recording against one, and what a GET waits while sixteen record."""

from pathlib import Path

from api_tests.bench import books, rig
from api_tests.bench.callers import Callers, Load
from api_tests.bench.figures import Figure, middle, quantile
from api_tests.bench.wire import request

EACH, WARM = 20, 1  # runs of a client in one round; rounds that only warm up
SHOWN = "/v1/materials/oil-00"


def lists(name: str, clients: int, each: int) -> list[list[bytes]]:
    return [books.runs(rig.TOKEN, f"{name}-{n}", each) for n in range(clients)]


def eight(callers: Callers, rounds: int, disk: rig.Disk) -> list[Figure]:
    """Rounds of one client and of eight, in turns."""
    ones: list[Load] = []
    eights: list[Load] = []
    for n in range(WARM + rounds):
        disk.sample()
        ones.append(callers.ask(*lists(f"one-{n}", 1, EACH * 2)))
        eights.append(callers.ask(*lists(f"eight-{n}", 8, EACH)))
    ones, eights = ones[WARM:], eights[WARM:]
    seconds = [one for load in eights for one in load.seconds]
    failed = sum(load.failed for load in ones + eights)
    low, high = middle(seconds), quantile(seconds, 0.99)
    alone, together = middle([load.rate for load in ones]), middle([load.rate for load in eights])
    return [
        Figure("clients", "8 clients: failures", failed, f"of {len(seconds)} runs", most=0, disk_ms=disk.p50),
        Figure("clients", "8 clients: p99 / p50", high / low, f"p50 {low * 1000:.1f} ms, p99 {high * 1000:.1f} ms",
               most=4, disk_ms=disk.p50),
        Figure("clients", "8 clients / one: runs a second", together / alone, f"{together:.0f} / {alone:.0f} runs a second",
               least=1.1, disk_ms=disk.p50),
    ]  # fmt: skip


def reading(port: int, callers: Callers, seconds: float, disk: rig.Disk) -> list[Figure]:
    """A GET on its own, then while sixteen clients record without a pause."""
    shown = [request("GET", SHOWN, rig.TOKEN)]
    with Callers(port, rig.THERE) as reader:
        reader.ask(shown * 50)
        idle = reader.ask(shown * 300)
        posted = Load([], [], 0)
        found: list[Load] = []
        rounds = 2
        for n in range(rounds):  # enough requests that the sixteen never run out
            callers.begin(*lists(f"busy-{n}", 16, int(seconds * 200)), for_seconds=seconds / rounds)
            reader.begin(shown, for_seconds=seconds / rounds * 0.9)
            found.append(reader.end())
            load = callers.end()
            posted.statuses += load.statuses
            posted.wall += load.wall
    waits = [one for load in found for one in load.seconds]
    failed = posted.failed + idle.failed + sum(load.failed for load in found)
    low, high = middle(idle.seconds), quantile(waits, 0.99)
    said = (f"GET idle p50 {low * 1000:.2f} ms; p50 {middle(waits) * 1000:.1f}, p99 {high * 1000:.1f} ms "
            f"while 16 record {len(posted.statuses) / posted.wall:.0f} runs a second")  # fmt: skip
    of = f"of {len(posted.statuses)} runs, {len(waits)} GETs"
    return [
        Figure("clients", "16 record: a GET's p99 / idle p50", high / low, said, most=10, disk_ms=disk.p50),
        Figure("clients", "16 record: failures", failed, of, most=0, disk_ms=disk.p50),
    ]


def measure(quick: bool, folder: Path) -> list[Figure]:
    file = folder / "books.db"
    rig.fresh(rig.url_of(file))
    disk = rig.Disk(folder)
    with rig.service(rig.url_of(file)) as (port, _), Callers(port, rig.THERE) as callers:
        return eight(callers, 3 if quick else 10, disk) + reading(port, callers, 4 if quick else 12, disk)
