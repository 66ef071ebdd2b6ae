"""Sixteen clients at once: no error, no lost or doubled gram."""

from concurrent.futures import ThreadPoolExecutor

import httpx
from conftest import Bench, Server


def test_overlapping_runs_deduct_every_gram_once(server: Server, stocked: Bench) -> None:
    headers = dict(stocked.client.headers)

    def client(number: int) -> list[int]:
        with httpx.Client(base_url=server.base, headers=headers, timeout=60) as mine:
            body = {"product": "balm-50", "units": 1}
            return [mine.post("/v1/runs", json=body).status_code for _ in range(5)]

    with ThreadPoolExecutor(16) as pool:
        statuses = [status for found in pool.map(client, range(16)) for status in found]
    assert set(statuses) == {201}
    assert stocked.get("materials/tin")["on_hand"] == 20
    assert stocked.get("products/balm-50")["on_hand"] == 80
    batch = sum(line["quantity"] for line in stocked.get("formulas/balm/sheet?product=balm-50&units=1")["lines"])
    left = sum(float(str(stocked.get(f"materials/{code}")["on_hand"])) for code in ("shea", "oil", "wax"))
    assert round(11_000 - left, 3) == round(80 * batch, 3)
