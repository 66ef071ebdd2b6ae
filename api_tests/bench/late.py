"""Papers that come late beside papers in order: one material with 2,000 later movements, in one service, in turns."""

import json
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from api_tests.bench import rig, tape
from api_tests.bench.figures import Figure, middle
from api_tests.bench.wire import Wire, request

LATER, QUICK_LATER, TIMES = 2_000, 400, 9


class Desk:
    """Posts to one service and takes the time of each answer."""

    def __init__(self, port: int) -> None:
        self.wire = Wire(port)

    def post(self, path: str, **body: Any) -> tuple[dict[str, Any], float]:
        began = time.perf_counter()
        answer = self.wire.json(request("POST", f"/v1/{path}", rig.TOKEN, body), 201)
        return answer if isinstance(answer, dict) else json.loads(answer), time.perf_counter() - began


def _day(ago: int) -> str:
    return (datetime.now(UTC).date() - timedelta(days=ago)).isoformat()


def _shelf(desk: Desk, later: int) -> None:
    """One material in many lots, one formula of it alone, and runs of the last six days."""
    for code in ("oil", "wax"):
        desk.post("materials", code=code, name=code.capitalize())
    desk.post("formulas", code="salve", name="Salve", lines=[{"material": "oil", "percent": 100}])
    for n in range(20):
        desk.post(
            "receipts",
            material="oil",
            quantity=100_000,
            cost=900 + n,
            received_on=_day(30 - n % 10),
            expires_on=f"{2040 + n}-01-01",
        )
    for n in range(later):
        desk.post("runs", formula="salve", batch_g=100 + n % 7, made_on=_day(6 - n * 6 // later), plan="none")


def _runs(desk: Desk) -> list[Figure]:
    order, behind = [], []
    for _ in range(TIMES):
        order.append(desk.post("runs", formula="salve", batch_g=50, plan="none")[1])
        behind.append(desk.post("runs", formula="salve", batch_g=50, made_on=_day(7), plan="none")[1])
    ratio = middle(behind) / middle(order)
    said = f"{middle(behind) * 1000:.0f} ms a week back, {middle(order) * 1000:.1f} ms in order"
    return [Figure("late", "a run a week back / in order", ratio, said, most=40)]


def _named(desk: Desk) -> list[Figure]:
    """A lot that the books have as emptied is named: what was assumed of it moves."""
    lots = desk.wire.json(request("GET", "/v1/lots?item=oil&empty=true", rig.TOKEN, None), 200)["items"]
    emptied = min(lots, key=lambda lot: (lot["on_hand"], lot["code"]))
    named = [{"material": "oil", "lot": emptied["code"], "quantity": emptied["on_hand"] + 1000}]
    answer, took = desk.post("runs", formula="salve", batch_g=emptied["on_hand"] + 1000, lots=named, plan="none")
    return [Figure("late", "a named draw beyond the books", took * 1000, f"ms; {len(answer['moved'])} draws moved")]


def _cost(desk: Desk) -> list[Figure]:
    """A cost that comes after its bulk went into a bulk that was filled: money flows through both."""
    receipt, _ = desk.post("receipts", material="wax", quantity=50_000)
    for code, of in (("base", "wax"), ("cream", "base")):
        desk.post("formulas", code=code, name=code.capitalize(), lines=[{"material": of, "percent": 100}])
    for _ in range(100):
        desk.post("runs", formula="base", batch_g=100, plan="none")
        desk.post("runs", formula="cream", batch_g=100, plan="none")
    _, took = desk.post(f"receipts/{receipt['receipt']}/correction", cost=500)
    return [Figure("late", "a cost through two bulks", took * 1000, "ms, 100 batches of each")]


def measure(quick: bool, folder: Path) -> list[Figure]:
    file = folder / "books.db"
    rig.founded(rig.url_of(file))
    later = QUICK_LATER if quick else LATER
    with rig.pinned(rig.HERE), tape.inside(rig.settings(rig.url_of(file))) as port:
        desk = Desk(port)
        _shelf(desk, later)
        figures = [*_runs(desk), *_named(desk), *_cost(desk)]
    figures[0].said += f"; {later} later runs of the material"
    return figures
