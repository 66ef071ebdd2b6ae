"""The service as a process of its own on one core, the disk's own pace, and memory."""

import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from api_tests.bench import books, tape
from api_tests.bench.figures import middle
from api_tests.bench.wire import HOST, Wire, request
from service import serve
from service.settings import Settings

ROOT = Path(__file__).parents[2]
TOKEN = "owner-of-the-bench"
COMPILED = {"PYTHONDONTWRITEBYTECODE": ""}  # as it is installed: the service finds itself compiled, as its libraries are
_CORES = sorted(os.sched_getaffinity(0))
HERE, THERE = {_CORES[0]}, {_CORES[-1]}  # what is measured, and who asks


def url_of(file: Path) -> str:
    return f"sqlite:///{file}"


def settings(url: str) -> Settings:
    return Settings(database_url=url, seed="none", owner_token=TOKEN)


def founded(url: str) -> None:
    """A migrated database with one empty workshop and its owner's token."""
    engine = serve.open_database(settings(url))
    serve.first_workshop(engine, settings(url))
    engine.dispose()


def fresh(url: str) -> None:
    """The same, and in it the invented workshop."""
    founded(url)
    with tape.inside(settings(url)) as port:
        wire = Wire(port)
        books.fill(wire, TOKEN)
        wire.close()


def copy(source: Path, target: Path) -> Path:
    """A copy of a database nobody has open."""
    with sqlite3.connect(source) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    connection.close()
    shutil.copyfile(source, target)
    return target


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def launch(command: list[str], cores: set[int], environment: dict[str, str]) -> subprocess.Popen[bytes]:
    """A child bound to these cores from its first instruction."""
    mine = os.sched_getaffinity(0)
    os.sched_setaffinity(0, cores)
    try:
        return subprocess.Popen(
            command, cwd=ROOT, env={**os.environ, **COMPILED, **environment}, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
    finally:
        os.sched_setaffinity(0, mine)


def until_ready(process: subprocess.Popen[bytes], port: int, path: str = "/health/ready", seconds: float = 60) -> None:
    """Return with the first 200."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        try:
            wire = Wire(port)
            status, _ = wire.ask(request("GET", path))
            wire.close()
            if status == 200:
                return
        except OSError:
            pass
        if process.poll() is not None:
            break
        time.sleep(0.002)
    raise AssertionError(f"the service on port {port} did not start")


@contextmanager
def service(url: str, cores: set[int] = HERE) -> Iterator[tuple[int, int]]:
    """`python -m service serve` on one core: its port and its process id."""
    port = free_port()
    process = launch([sys.executable, "-m", "service", "serve"], cores, environment(url, port))
    try:
        until_ready(process, port)
        yield port, process.pid
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def environment(url: str, port: int) -> dict[str, str]:
    return {
        "STILLROOM_DATABASE_URL": url,
        "STILLROOM_PORT": str(port),
        "STILLROOM_SEED": "none",
        "STILLROOM_OWNER_TOKEN": TOKEN,
    }


@contextmanager
def pinned(cores: set[int]) -> Iterator[None]:
    """This thread on these cores for a while."""
    mine = os.sched_getaffinity(0)
    os.sched_setaffinity(0, cores)
    try:
        yield
    finally:
        os.sched_setaffinity(0, mine)


class Disk:
    """The p50 of fdatasync after 4 KB written, sampled between the blocks: what a durable commit costs at least."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "fdatasync"
        self.took: list[float] = []
        self.sample()

    def sample(self, times: int = 20) -> None:
        with self.path.open("wb", buffering=0) as file:
            for _ in range(times):
                file.write(b"x" * 4096)
                began = time.perf_counter()
                os.fdatasync(file.fileno())
                self.took.append(time.perf_counter() - began)
        self.path.unlink()

    @property
    def p50(self) -> float:
        """In milliseconds."""
        return middle(self.took) * 1000


def resident_mb(pid: int) -> float:
    """Resident memory of a process in MB (1,000,000 bytes)."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) * 1024 / 1e6
    raise AssertionError("no VmRSS")
