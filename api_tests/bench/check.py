"""A check of one product beside an endpoint that authenticates and does nothing, in one service, in turns."""

from pathlib import Path
from typing import Any

from fastapi import Request, Response

from api_tests.bench import books, rig, tape
from api_tests.bench.callers import Callers
from api_tests.bench.figures import Figure, middle
from api_tests.bench.wire import request
from service.api import deps
from service.shapes.checks import CheckIn

EACH = 50


def add_nothing(app: Any) -> None:
    """`POST /v1/nothing`: the caller is let in as everywhere, then answered. `/v1/door`: a check's way in and out as well."""

    async def nothing(request: Request) -> Response:
        deps.authenticate(request, "read")
        return Response("{}", 200, media_type="application/json")

    async def door(request: Request) -> Response:
        return await deps.ask(request, CheckIn, lambda scope, body: {})

    app.add_api_route("/v1/nothing", nothing, methods=["POST"], include_in_schema=False)
    app.add_api_route("/v1/door", door, methods=["POST"], include_in_schema=False)


def measure(quick: bool, folder: Path) -> list[Figure]:
    file = folder / "books.db"
    rig.fresh(rig.url_of(file))
    paths = {"checks": "/v1/checks", "nothing": "/v1/nothing", "door": "/v1/door"}
    asked = {name: [request("POST", path, rig.TOKEN, books.CHECK)] * EACH for name, path in paths.items()}
    took: dict[str, list[float]] = {name: [] for name in paths}
    with (
        rig.pinned(rig.HERE),  # the threads of the service take after this one
        tape.inside(rig.settings(rig.url_of(file)), change=add_nothing) as port,
        Callers(port, rig.THERE) as callers,
    ):
        callers.ask(books.runs(rig.TOKEN, "before", 20))
        for n in range(1 + (5 if quick else 20)):
            for name, messages in asked.items():
                load = callers.ask(messages)
                assert not load.failed, load.statuses
                took[name] += load.seconds if n else []
    check, none, door = (middle(took[name]) for name in ("checks", "nothing", "door"))
    said = f"p50 {check * 1000:.2f} ms, {none * 1000:.2f} ms for nothing ({len(took['checks'])} of each)"
    also = f"parsed, in a thread, in a snapshot, and nothing done: {door * 1000:.2f} ms"
    return [
        Figure("check", "one product / no-op", check / none, said, most=6),
        Figure("check", "the way in and out / no-op", door / none, also),
    ]
