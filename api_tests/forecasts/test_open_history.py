"""Two years of order exports and a stock count, in two commands: what runs out when, on real histories that are held out.

Online Retail II (see api_tests/data): a slice of it always, all of it where STILLROOM_BENCH_DATA names its folder.
"""

import os
import re
from datetime import date
from pathlib import Path
from typing import Any

import httpx
import pytest
from conftest import ROOT, Bench, Server
from forecasts import sold_before
from forecasts.past import MONDAY
from forecasts.sold_before import Sold

SLICE = sorted((ROOT / "api_tests" / "data").glob("*order_lines*.csv.gz"))
WHOLE = (
    sorted(Path(os.environ["STILLROOM_BENCH_DATA"]).glob("*order_lines*.csv.gz")) if "STILLROOM_BENCH_DATA" in os.environ else []
)
ARTICLES = 200
HELD_OUT, COUNTED = 12, 6  # weeks that the service does not know; weeks that the counted stock lasts in them
SAID = re.compile(r"^.+ lasts (until|beyond) .+; (order|make it|it should).*\.$")


@pytest.fixture(params=[pytest.param(SLICE, id="slice"), pytest.param(WHOLE, id="whole", marks=pytest.mark.skipif(
    not WHOLE, reason="STILLROOM_BENCH_DATA names no folder with order lines"))])  # fmt: skip
def rows(request: pytest.FixtureRequest) -> list[Sold]:
    assert request.param, "there are order lines to read"
    return sold_before.read(request.param, HELD_OUT)


def test_what_runs_out_when_and_whether_it_did(server: Server, owner: httpx.Client, rows: list[Sold], tmp_path: Path) -> None:
    bench = Bench(owner)
    known = [row for row in rows if row.day < MONDAY]
    articles = sold_before.best(known, ARTICLES)
    recipes = sold_before.open_workshop(bench, articles)
    used = sold_before.use([row for row in rows if row.day >= MONDAY], recipes)
    stock = {code: max(round(sum(some for day, some in days.items() if day < 7 * COUNTED)), 1) for code, days in used.items()}
    for code, counted in stock.items():
        bench.post("counts", material=code, counted=counted)
    file = tmp_path / "export.csv"
    sold_before.export(known, file)
    told = server.command("import", "orders", str(file), "--workshop", server.latest, "--skip-unknown")
    lines = sum(row.series in recipes.unit for row in known)
    assert told.stdout.startswith(f"{lines} lines of "), told.stderr
    found = bench.get("cover")
    listed: Any = [row for row in found["materials"] if row["material"] in used]
    assert {row["material"] for row in listed} == used.keys()
    order_by = [row["order_by"] or "9999" for row in listed]
    assert order_by == sorted(order_by), "the most urgent first"
    came = {code: _used_up(days, stock[code]) for code, days in used.items()}
    likely = {row["material"]: _days(row, "likely") or 7 * HELD_OUT for row in listed}
    near = sum(came[code] / 2 <= likely[code] <= 2 * came[code] for code in came)
    assert near >= 0.8 * len(listed), (likely, came)
    inside = sum((_days(row, "early") or 999) <= came[row["material"]] <= (_days(row, "late") or 999) for row in listed)
    assert inside >= len(listed) / 3, "8 of 10 should, but one autumn is one case: what sells is shared, so they miss together"
    text = bench.client.get("/v1/cover", headers={"Accept": "text/plain"}).text.splitlines()
    assert [line for line in text if SAID.match(line)][: len(listed)] == [row["sentence"] for row in listed]
    assert " % better than repeating the four weeks before" in str(found["how_good"])
    assert bench.get("cover") == found, "the same question, the same answer"


def _used_up(used: dict[int, float], stock: int) -> int:
    """The day on which the stock was really used up, from this week's Monday on."""
    left = float(stock)
    for day in range(7 * HELD_OUT):
        left -= used.get(day, 0.0)
        if left < 0:
            return day
    return 7 * HELD_OUT


def _days(row: dict[str, Any], which: str) -> int | None:
    told = row["runs_out"][which]
    return (date.fromisoformat(told) - MONDAY).days if told else None
