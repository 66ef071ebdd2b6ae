"""Law 13 for what is sold: batches, shipments, returns, market days and counts told in any order end in the same books."""

from random import Random
from typing import Any

import httpx
import pytest
from conftest import SOAK, Server
from orders.shop import Shop, opened

Telling = tuple[str, int, dict[str, Any]]  # what, how many days ago, how much
PAPERS: list[Telling] = [
    ("make", 20, {"units": 6}),
    ("make", 14, {"units": 7}),
    ("make", 9, {"units": 5}),
    ("ship", 18, {"units": 4}),
    ("ship", 13, {"units": 3, "customer": "Corner shop"}),
    ("ship", 12, {"units": 5}),
    ("market", 8, {"units": 4}),
    ("ship", 5, {"units": 6}),
    ("count", 10, {"counted": 2}),
    ("count", 3, {"counted": 1}),
]


def tell(shop: Shop, papers: list[Telling]) -> dict[str, Any]:
    """The books after these papers: what each sale took of which batch (by its day), what counts found, what is left."""
    shop.patch("customers/Corner shop", min_life_days=195)  # of 200: takes nothing older than 5 days
    for _, ago, told in papers:
        if "customer" in told:
            shop.order(told["units"], f"o-{ago}", customer=told["customer"])
    batches: dict[str | None, int | None] = {None: None}
    sales, counts = {}, {}
    for what, ago, told in papers:
        when = shop.day(-ago)
        if what == "make":
            batches[shop.make(told["units"], made_on=when)["batch"]["code"]] = ago
        elif what == "count":
            counts[ago] = shop.post("counts", product="salve", counted=told["counted"], counted_at=when)["count"]
        elif what == "market":
            sold = shop.post("market-days", day=when, lines=[{"product": "salve", "units": told["units"]}])
            sales[ago] = sold["shipment"]
        else:
            if "customer" not in told:
                shop.order(told["units"], f"o-{ago}")
            sales[ago] = shop.ship(f"o-{ago}", shipped_on=when)["shipment"]
    assert shop.verified()
    return {
        "sales": {ago: sorted((str(batches[one["lot"]]), one["units"]) for one in shop.get(f"shipments/{code}")["taken"])
                  for ago, code in sorted(sales.items())},
        "counts": {ago: shop.get(f"counts/{code}")["difference"] for ago, code in sorted(counts.items())},
        "left": {str(batches[lot["code"]]): lot["on_hand"] for lot in shop.stock()["batches"]},
        "unbooked": shop.stock()["unbooked"],
    }  # fmt: skip


def test_told_in_their_order_they_come_to_what_a_hand_works_out(server: Server, owner: httpx.Client) -> None:
    """Batches of 6, 7 and 5 tins, 20, 14 and 9 days ago; each sale takes the oldest that its customer accepts."""
    assert tell(opened(server, owner), sorted(PAPERS, key=lambda one: (-one[1], one[0] == "count"))) == {
        "sales": {
            5: [("9", 3), ("None", 3)],  # nothing else is left
            8: [("14", 2), ("9", 2)],
            12: [("14", 3), ("20", 2)],  # 1 of the second is left; the count of 2, ten days ago, finds one more
            13: [("14", 3)],  # the corner shop refuses what is 7 days old
            18: [("20", 4)],
        },
        "counts": {10: 1, 3: 4},  # 2 instead of 1; 1 instead of 0 less 3 unbooked
        "left": {"9": 1},
        "unbooked": 0,
    }


@pytest.mark.parametrize("seed", range(40 if SOAK else 4))
def test_told_in_any_order_they_come_to_the_same(server: Server, seed: int) -> None:
    papers = sorted(PAPERS, key=lambda one: (-one[1], one[0] == "count"))
    with server.client(server.new_workshop()) as client:
        expected = tell(opened(server, client), papers)
    shuffled = list(PAPERS)
    Random(seed).shuffle(shuffled)
    with server.client(server.new_workshop()) as client:
        assert tell(opened(server, client), shuffled) == expected
