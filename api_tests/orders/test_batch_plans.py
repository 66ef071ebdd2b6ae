"""Batch plans worked by hand: salve is 60 % shea and 40 % oil, 100 g in a tin, no loss; 5 kg, 4 kg and 100 tins are there."""

from typing import Any

import httpx
import pytest
from conftest import Server
from orders.shop import Shop, opened


@pytest.fixture
def shop(server: Server, owner: httpx.Client) -> Shop:
    return opened(server, owner)


LINES = [{"material": "shea", "percent": 60}, {"material": "oil", "percent": "rest"}]


def version(shop: Shop, formula: str = "base", **more: Any) -> dict[str, Any]:
    return shop.post(f"formulas/{formula}/versions", **{"lines": LINES, **more})


def asked(shop: Shop, days: int = 60) -> dict[str, Any]:
    return shop.post("batch-plans", 200, until=shop.day(days))


def short_of(plan: dict[str, Any], batch: int = 0) -> dict[str, Any]:
    return {one["material"]: one["short"] for one in plan["batches"][batch]["short"]}


def needs(plan: dict[str, Any]) -> dict[str, tuple[float, float, float]]:
    return {one["material"]: (one["needed"], one["available"], one["short"]) for one in plan["needs"]}


def small(shop: Shop, code: str = "mini", fill: int = 30, **more: Any) -> None:
    """A second size of the salve, in a tin too."""
    asked_ = {"code": code, "name": f"Salve, {fill} g", "formula": "base", "fill_g": fill, "packaging": [{"material": "tin"}]}
    shop.post("products", **asked_, **more)


def test_a_formula_keeps_its_smallest_and_largest_batch(shop: Shop) -> None:
    made = version(shop, usual_batch_g=1000, smallest_batch_g=500, largest_batch_g="2000,5")
    assert (made["smallest_batch_g"], made["largest_batch_g"]) == (500, 2000.5)
    first = shop.get("formulas/base?version=1")
    assert (first["smallest_batch_g"], first["largest_batch_g"]) == (None, None)
    for wrong in ({"smallest_batch_g": 3, "largest_batch_g": 2}, {"largest_batch_g": 0}, {"smallest_batch_g": -1}):
        shop.post("formulas/base/versions", 422, lines=LINES, **wrong)


def test_nothing_to_make(shop: Shop) -> None:
    found = asked(shop)
    assert (found["batches"], found["orders"], found["needs"], found["left_over_g"]) == ([], [], [], 0)
    shop.make(10)
    shop.order(10, due_on=shop.day(20))
    found = asked(shop)
    assert found["batches"] == []
    assert [one["to_make"] for one in found["orders"]] == [[]]  # all of it is on the shelf
    shop.post("batch-plans", 422, until="soon")
    shop.post("batch-plans", 422)


def test_one_batch_in_quarters_serves_two_orders(shop: Shop) -> None:
    """12 + 9 units are 2,100 g: 2,250 g, nine quarters of 1,000 g; 150 g are left over. By the first order's day, less 2 of rest
    and 3 on the way."""
    version(shop, usual_batch_g=1000, rest_days=2)
    shop.patch("customers/Nell", transit_days=3)
    shop.order(12, "nell", due_on=shop.day(20), customer="Nell")
    shop.order(9, "other", due_on=shop.day(40))
    shop.order(50, "after", due_on=shop.day(61))
    shop.order(5, "whenever")
    found = asked(shop)
    (batch,) = found["batches"]
    assert (batch["formula"], batch["version"], batch["batch_g"], batch["fraction"]) == ("base", 2, 2250, 2.25)
    assert (batch["filled"], batch["left_over_g"]) == ([{"product": "salve", "units": 21}], 150)
    assert (batch["make_by"], batch["ready_on"], batch["late"]) == (shop.day(15), shop.day(17), False)
    assert (batch["orders"], batch["order"], batch["short"]) == (["nell", "other"], None, [])
    assert needs(found) == {"shea": (1350, 5000, 0), "oil": (900, 4000, 0), "tin": (21, 100, 0)}
    assert [(one["order"], one["ship_by"]) for one in found["orders"]] == [("nell", shop.day(17)), ("other", shop.day(40))]
    assert [(one["type"], one["orders"]) for one in found["warnings"]] == [("orders-without-a-due-date", ["whenever"])]
    assert found["proved"]
    assert "2.25 kg of Salve base by " + shop.said(15) in found["sentence"]


def test_finished_stock_and_plans_come_first(shop: Shop) -> None:
    shop.make(4)
    shop.plan(3)
    shop.order(10, due_on=shop.day(20))
    (batch,) = asked(shop)["batches"]  # 3 are left; no usual batch: as much as they take
    assert (batch["batch_g"], batch["fraction"], batch["filled"][0]["units"], batch["order"]) == (300, None, 3, "o-1")


def test_several_sizes_are_filled_from_one_batch(shop: Shop) -> None:
    """4 x 100 g and 11 x 30 g are 730 g: 750 g, and 20 g are left over."""
    version(shop, usual_batch_g=1000)
    small(shop)
    lines = [{"product": "salve", "units": 4}, {"product": "mini", "units": 11}]
    shop.post("orders", reference="two", lines=lines, due_on=shop.day(9))
    found = asked(shop)
    (batch,) = found["batches"]
    assert (batch["batch_g"], batch["left_over_g"], found["left_over_g"]) == (750, 20, 20)
    assert batch["filled"] == [{"product": "mini", "units": 11}, {"product": "salve", "units": 4}]
    assert needs(found)["tin"] == (15, 100, 0)


def test_batches_stay_within_their_bounds(shop: Shop) -> None:
    """1,400 g where 1,000 g is the largest batch and 500 g the smallest: 1,000 g and 500 g, the more urgent first."""
    version(shop, usual_batch_g=1000, smallest_batch_g=500, largest_batch_g=1000)
    shop.order(8, "later", due_on=shop.day(30))
    shop.order(6, "sooner", due_on=shop.day(10))
    found = asked(shop)
    told = [(one["batch_g"], one["filled"][0]["units"], one["make_by"], one["orders"]) for one in found["batches"]]
    assert told == [(1000, 10, shop.day(10), ["sooner", "later"]), (500, 4, shop.day(30), ["later"])]
    assert [one["order"] for one in found["batches"]] == [None, "later"]
    small(shop, "tub", 1200)
    shop.post("orders", reference="huge", lines=[{"product": "tub", "units": 1}], due_on=shop.day(12))
    again = asked(shop)
    assert [one["batch_g"] for one in again["batches"]] == [1000, 500]
    assert [(one["type"], one["product"]) for one in again["warnings"]] == [("larger-than-a-batch", "tub")]


def test_what_each_batch_lacks_and_the_plan_in_all(shop: Shop) -> None:
    """9,000 g in quarters of 5,000 g, at most 5,000 g: twice 5,000 g (1,250 g less would not do), so 6,000 g of shea of 5,000 and
    4,000 g of oil of 4,000; a plan for 5 has claimed 300 g and 200 g before."""
    version(shop, usual_batch_g=5000, largest_batch_g=5000)
    shop.plan(5, planned_on=shop.day(1))
    shop.order(95, due_on=shop.day(20))
    found = asked(shop)
    assert [one["batch_g"] for one in found["batches"]] == [5000, 5000]
    assert needs(found) == {"shea": (6000, 4700, 1300), "oil": (4000, 3800, 200), "tin": (90, 95, 0)}
    assert short_of(found, 0) == {}
    assert short_of(found, 1) == {"shea": 1300, "oil": 200}
    assert found["sentence"].endswith("; short of Olive oil and Shea butter.")


def test_stock_is_judged_on_the_day_of_making(shop: Shop) -> None:
    shop.post("materials", code="wax", name="Wax")
    shop.post("receipts", material="wax", quantity=500, expires_on=shop.day(15))
    shop.post("receipts", material="wax", quantity=300, expires_on=shop.day(80))
    version(shop, lines=[{"material": "wax", "percent": 100}])
    shop.order(5, due_on=shop.day(15))
    assert needs(asked(shop))["wax"] == (500, 800, 0)
    shop.patch("orders/o-1", due_on=shop.day(16))
    assert needs(asked(shop))["wax"] == (500, 300, 200)


def test_too_late_and_too_short_dated_are_told(shop: Shop) -> None:
    version(shop, rest_days=30)
    shop.order(2, due_on=shop.day(10))
    found = asked(shop)
    assert [(one["make_by"], one["ready_on"], one["late"]) for one in found["batches"]] == [(shop.day(0), shop.day(30), True)]
    assert [one["type"] for one in found["warnings"]] == ["too-late"]
    shop.patch("customers/Far", transit_days=5, min_life_days=180)  # 200 days of life, 30 of them resting
    shop.order(2, "far", due_on=shop.day(50), customer="Far")
    assert {one["type"] for one in asked(shop)["warnings"]} == {"too-late", "too-short-dated"}


def test_what_would_be_too_old_is_a_batch_of_its_own(shop: Shop) -> None:
    """Salve keeps 200 days. Made by day 5 it is good until day 205, but Choosy's shop wants 180 days from day 50 on."""
    shop.patch("customers/Choosy", min_life_days=180)
    shop.order(2, "now", due_on=shop.day(5))
    shop.order(3, "fresh", due_on=shop.day(50), customer="Choosy")
    told = [(one["make_by"], one["filled"][0]["units"]) for one in asked(shop)["batches"]]
    assert told == [(shop.day(5), 2), (shop.day(50), 3)]


def test_a_set_and_what_is_inside_it(shop: Shop) -> None:
    """5 boxes of 2 salves, 3 of which are on the shelf: 7 to make, and the boxes to put together on the day they leave."""
    version(shop, rest_days=4)
    shop.post("materials", code="carton", name="Carton", kind="packaging")
    shop.post("products", code="box", name="Box", contains=[{"product": "salve", "quantity": 2}],
              packaging=[{"material": "carton"}])  # fmt: skip
    shop.make(3, made_on=shop.day(-10))
    shop.post("orders", reference="gift", lines=[{"product": "box", "units": 5}], due_on=shop.day(20))
    found = asked(shop)
    told = [(one["formula"], one["product"], one["batch_g"], one["filled"], one["make_by"]) for one in found["batches"]]
    assert told == [
        ("base", None, 700, [{"product": "salve", "units": 7}], shop.day(16)),
        (None, "box", None, [{"product": "box", "units": 5}], shop.day(20)),
    ]
    assert needs(found)["carton"] == (5, 0, 5)
    assert needs(found)["shea"][0] == 420
    made = shop.post(f"batch-plans/{found['plan']}/runs")
    planned = [(one["formula"], one["product"], one["order"]) for one in made["runs"]]
    assert planned == [("base", "salve", "gift"), (None, "box", "gift")]
    assert asked(shop)["batches"] == []


def test_bulk_inside_a_batch_is_made_before(shop: Shop) -> None:
    """Lotion is half base: 6 x 100 g in quarters of 400 g are 600 g, so 300 g of base; 100 g of base are there, and its quarters
    are 250 g: 250 g, of which 50 g are left. Base rests 3 days before lotion is made, on the 10th less 2."""
    shop.post("formulas", code="lotion", name="Lotion", usual_batch_g=400, rest_days=2,
              lines=[{"material": "base", "percent": 50}, {"material": "oil", "percent": "rest"}])  # fmt: skip
    shop.post("products", code="lotion-100", name="Lotion, 100 g", formula="lotion", fill_g=100)
    shop.post("runs", formula="base", batch_g=100)
    version(shop, usual_batch_g=1000, rest_days=3)
    shop.post("orders", reference="lot", lines=[{"product": "lotion-100", "units": 6}], due_on=shop.day(10))
    found = asked(shop)
    base, lotion = found["batches"]
    assert (base["formula"], base["batch_g"], base["into"], base["make_by"]) == ("base", 250, ["lotion"], shop.day(5))
    assert (base["filled"], base["bulk_g"], base["left_over_g"], base["orders"]) == ([], 200, 50, ["lot"])
    assert (lotion["formula"], lotion["batch_g"], lotion["make_by"], lotion["left_over_g"]) == ("lotion", 600, shop.day(8), 0)
    assert needs(found)["oil"][0] == 250 * 0.4 + 300
    shop.post(f"batch-plans/{found['plan']}/runs")
    assert shop.stock("base")["claimed"] == 300
    assert asked(shop)["batches"] == []


def test_bulk_that_is_there_is_filled_first(shop: Shop) -> None:
    shop.post("runs", formula="base", batch_g=350)
    shop.order(5, due_on=shop.day(10))
    found = asked(shop)
    assert found["from_bulk"] == [{"formula": "base", "product": "salve", "units": 3}]
    assert [(one["batch_g"], one["filled"][0]["units"]) for one in found["batches"]] == [(200, 2)]
    assert [one["type"] for one in found["warnings"]] == ["fill-from-bulk"]


def test_planned_runs_are_created_from_it(shop: Shop) -> None:
    """Two orders: a batch that serves one only is planned for it; what is claimed is what the batches take."""
    version(shop, usual_batch_g=1000, largest_batch_g=1000)
    shop.order(10, "one", due_on=shop.day(10))
    shop.order(4, "two", due_on=shop.day(30))
    found = asked(shop)
    rehearsed = shop.post(f"batch-plans/{found['plan']}/runs", 200, dry_run=True)
    assert len(rehearsed["runs"]) == 2
    assert asked(shop)["plan"] == found["plan"]  # nothing was kept, and the same books give the same plan
    made = shop.post(f"batch-plans/{found['plan']}/runs")
    first, second = made["runs"]
    assert (first["state"], first["product"], first["batch"]["units"], first["order"]) == ("planned", "salve", 10, "one")
    assert (second["formula"], second["product"], second["batch_g"], second["order"]) == ("base", None, 500, "two")
    assert [one["planned_on"] for one in made["runs"]] == [shop.day(10), shop.day(30)]
    assert {code: shop.stock(code)["claimed"] for code in ("shea", "oil", "tin")} == {"shea": 900, "oil": 600, "tin": 14}
    assert shop.get("orders/two")["runs"] == [second["batch"]["code"]]
    assert asked(shop)["batches"] == []
    shop.post(f"batch-plans/{found['plan']}/runs", 404)  # the books have moved on
    done = shop.post(f"runs/{second['batch']['code']}/completion", 200)
    assert {one["item"]: one["quantity"] for one in done["batch"]["lots"]} == {"salve": 4, "base": 100}
    assert shop.verified()


def test_a_plan_is_gone_once_the_books_differ(shop: Shop) -> None:
    shop.order(10, due_on=shop.day(10))
    code = asked(shop)["plan"]
    shop.order(1, "more", due_on=shop.day(11))
    shop.post(f"batch-plans/{code}/runs", 404)
    assert shop.get("runs?state=planned")["items"] == []
    made = shop.post(f"batch-plans/{shop.day(60)}/runs")  # whatever is wanted until that day
    assert [one["batch_g"] for one in made["runs"]] == [1100]
    assert shop.post(f"batch-plans/{shop.day(60)}/runs")["runs"] == []
    for wrong in ("soon", "2027-02-30", f"{shop.day(60)}-abc"):
        shop.post(f"batch-plans/{wrong}/runs", 404)


def test_another_workshop_has_no_such_plan(shop: Shop) -> None:
    """Not even one whose books say the same: a plan's code is of its own workshop."""
    with shop.server.client(shop.server.new_workshop()) as client:
        other = opened(shop.server, client)
        for one in (shop, other):
            one.order(10, due_on=one.day(10))
        code = asked(shop)["plan"]
        assert asked(other)["plan"] != code
        other.post(f"batch-plans/{code}/runs", 404)
    assert len(shop.post(f"batch-plans/{code}/runs")["runs"]) == 1


def test_the_same_key_plans_once(shop: Shop) -> None:
    shop.order(10, due_on=shop.day(10))
    path = f"/v1/batch-plans/{asked(shop)['plan']}/runs"
    told = [shop.client.post(path, json={}, headers={"Idempotency-Key": "plan-1"}) for _ in range(2)]
    assert [one.status_code for one in told] == [201, 201]
    assert told[0].content == told[1].content
    assert len(shop.get("runs?state=planned")["items"]) == 1


def test_in_one_sentence(shop: Shop) -> None:
    shop.order(10, due_on=shop.day(10))
    said = shop.client.post("/v1/batch-plans", json={"until": shop.day(60)}, headers={"Accept": "text/plain"})
    assert said.text == f"For the orders due until {shop.said(60)} make 1 kg of Salve base by {shop.said(10)}.\n"


def test_of_many_materials_that_are_short_five_are_named(shop: Shop) -> None:
    """A hundred tins of 100 g: 1,500 g of each of six materials of which there is nothing."""
    codes = ["amber", "birch", "clover", "daisy", "elder", "fennel"]
    for code in codes:
        shop.post("materials", code=code, name=code.capitalize())
    version(shop, lines=[{"material": code, "percent": 15} for code in codes] + [{"material": "shea", "percent": "rest"}])
    shop.order(100, due_on=shop.day(20))
    assert asked(shop)["sentence"].endswith("; short of Amber, Birch, Clover, Daisy, Elder and 1 more.")
