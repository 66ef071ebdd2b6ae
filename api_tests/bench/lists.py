"""How many statements a page of a list takes, short and long."""

import threading
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, event

from api_tests.bench import rig, tape
from api_tests.bench.figures import Figure
from api_tests.bench.wire import Wire, request

LISTS = {"materials": "/v1/materials?limit=200", "lots": "/v1/lots?limit=200"}
FEW, MANY = 10, 100


def measure(quick: bool, folder: Path) -> list[Figure]:
    del quick  # it is short
    url = rig.url_of(folder / "books.db")
    rig.founded(url)
    heard: list[str] = []

    def listen(engine: Engine) -> None:
        @event.listens_for(engine, "before_cursor_execute")
        def _hear(connection: Any, cursor: Any, sql: str, *_: Any) -> None:
            if not threading.current_thread().name.startswith("writer-") and "FROM token" not in sql:
                heard.append(sql)

    counts: dict[str, list[int]] = {name: [] for name in LISTS}
    with tape.inside(rig.settings(url), listen) as port:
        wire = Wire(port)
        there = 0
        for size in (FEW, MANY):
            for n in range(there, size):
                wire.json(request("POST", "/v1/materials", rig.TOKEN, {"code": f"m-{n:03}", "name": f"Material {n}"}), 201)
                wire.json(request("POST", "/v1/receipts", rig.TOKEN, {"material": f"m-{n:03}", "quantity": 10}), 201)
            there = size
            for name, path in LISTS.items():
                wire.json(request("GET", path, rig.TOKEN))  # the token is known from here on
                heard.clear()
                shown = wire.json(request("GET", path, rig.TOKEN))
                assert len(shown["items"]) == size, f"{len(shown['items'])} {name} shown of {size}"
                counts[name].append(len([sql for sql in heard if not sql.startswith("BEGIN")]))
        wire.close()
    return [
        Figure("lists", f"{name}: statements at {MANY} less at {FEW}", many - few, f"{few} at {FEW}, {many} at {MANY}", most=0)
        for name, (few, many) in counts.items()
    ]
