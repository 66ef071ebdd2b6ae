"""Law 14, worked by hand: 24 tins of salve take 1,440 g of shea, 960 g of oil and 24 tins (100 g each, no loss).

On the shelf 5,000 g of shea, 4,000 g of oil and 100 tins; what a test makes first is taken off.
"""

import httpx
import pytest
from conftest import Server
from orders.shop import Shop, opened


@pytest.fixture
def shop(server: Server, owner: httpx.Client) -> Shop:
    return opened(server, owner)


def claimed(shop: Shop) -> dict[str, object]:
    return {code: shop.stock(code)["claimed"] for code in ("salve", "shea", "oil", "tin")}


def test_an_open_order_claims_its_materials_through_the_needs(shop: Shop) -> None:
    shop.order(24)
    assert claimed(shop) == {"salve": 0, "shea": 1440, "oil": 960, "tin": 24}
    assert shop.stock("shea")["available"] == 5000 - 1440
    shop.order(1, "o-2")
    assert claimed(shop) == {"salve": 0, "shea": 1500, "oil": 1000, "tin": 25}


def test_finished_stock_comes_first_then_what_is_planned_then_materials(shop: Shop) -> None:
    shop.make(10)  # leaves 4,400 g of shea, 3,600 g of oil, 90 tins
    shop.plan(5)  # claims 300 g, 200 g, 5 tins
    shop.order(12, "later", due_on=shop.day(30))
    shop.order(8, "sooner", due_on=shop.day(10))
    # sooner: 8 of the 10 finished. later: the other 2, the 5 that are planned, and 5 more to be made.
    assert claimed(shop) == {"salve": 10, "shea": 600, "oil": 400, "tin": 10}
    salve = shop.stock()
    assert (salve["usable"], salve["available"]) == (10, 0)
    assert shop.stock("shea")["available"] == 4400 - 600


def test_the_next_question_sees_what_is_claimed(shop: Shop) -> None:
    shop.make(10)
    shop.order(60)  # 10 finished, 50 to make: 3,000 g of the 4,400 g of shea
    asked = shop.post("checks", 200, wants=[{"product": "salve", "units": 23}])
    shea = next(need for need in asked["needs"] if need["material"] == "shea")
    assert {name: shea[name] for name in ("needed", "available", "claimed", "short")} == {
        "needed": 1380, "available": 1400, "claimed": 3000, "short": 0,
    }  # fmt: skip
    assert asked["wants"][0]["from_finished"] == 0
    assert asked["enough"]
    assert asked["makeable_units"] == {"salve": 23}
    assert not shop.post("checks", 200, wants=[{"product": "salve", "units": 24}])["enough"]


def test_a_question_about_an_order_leaves_out_its_own_claim(shop: Shop) -> None:
    shop.patch("customers/Nell", transit_days=2)
    shop.order(70, due_on=shop.day(9), customer="Nell")  # 4,200 g of 5,000 g
    asked = shop.post("checks", 200, order="o-1")
    assert (asked["enough"], asked["order"], asked["by"]) == (True, "o-1", shop.day(7))
    assert asked["wants"][0]["units"] == 70
    assert next(need for need in asked["needs"] if need["material"] == "shea")["claimed"] == 0
    assert shop.post("checks", 200, order="o-1", wants=[{"product": "salve", "units": 80}])["enough"]
    assert not shop.post("checks", 200, wants=[{"product": "salve", "units": 20}])["enough"]
    assert shop.post("checks", 404, order="o-9")["errors"][0]["pointer"] == "#/order"
    assert shop.post("checks", 422)["errors"]


def test_a_question_about_an_order_leaves_out_the_runs_that_serve_it(shop: Shop) -> None:
    """The plan holds the order's materials: they are there for it, not once more."""
    shop.order(70, due_on=shop.day(9))
    for plan in ({}, {"order": "o-1"}):
        made = shop.plan(70, **plan)
        assert made["shortages"] == []
        assert claimed(shop) == {"salve": 0, "shea": 4200, "oil": 2800, "tin": 70}
        assert shop.post("checks", 200, order="o-1")["enough"]
        shop.post(f"runs/{made['batch']['code']}/cancellation", 200)


def test_a_plan_made_for_an_order_serves_that_order(shop: Shop) -> None:
    shop.order(20, "sooner", due_on=shop.day(3))
    shop.order(20, "later", due_on=shop.day(30))
    made = shop.plan(20, order="later")
    assert made["order"] == "later"
    assert shop.get("orders/later")["runs"] == [made["batch"]["code"]]
    assert claimed(shop)["shea"] == 20 * 60 * 2
    # Without the link the plan serves the order that is due first: the check of the later one then stands alone.
    later = shop.post("checks", 200, order="later")
    sooner = shop.post("checks", 200, order="sooner")
    needs = [next(need for need in asked["needs"] if need["material"] == "shea") for asked in (later, sooner)]
    assert [need["claimed"] for need in needs] == [1200, 1200]  # later: the sooner's needs; sooner: the plan for the later
    assert shop.patch("orders/later", state="cancelled")["warnings"][0]["runs"] == [made["batch"]["code"]]
    assert claimed(shop)["shea"] == 1200  # the plan is free to serve the sooner
    assert shop.plan(1, order="sooner")["order"] == "sooner"
    shop.post("runs", 404, product="salve", units=1, status="planned", order="nobody's")
    shop.post("runs", 409, product="salve", units=1, status="planned", order="later")


def test_planned_bulk_serves_what_must_be_filled(shop: Shop) -> None:
    shop.order(10)
    shop.post("runs", formula="base", batch_g=1000, status="planned")
    assert claimed(shop) == {"salve": 0, "shea": 600, "oil": 400, "tin": 10}
    shop.order(5, "o-2")
    assert claimed(shop) == {"salve": 0, "shea": 900, "oil": 600, "tin": 15}


def test_bulk_on_the_shelf_is_claimed_before_materials(shop: Shop) -> None:
    shop.post("runs", formula="base", batch_g=700, plan="none")
    shop.order(10)  # 1,000 g: 700 g of bulk, 300 g to be made
    assert claimed(shop) == {"salve": 0, "shea": 180, "oil": 120, "tin": 10}
    assert shop.stock("base")["claimed"] == 700


def test_sets_claim_what_is_inside_them(shop: Shop) -> None:
    shop.post("products", code="box", name="Gift box", contains=[{"product": "salve", "quantity": 2}])
    shop.make(5)
    shop.post("orders", reference="gift", lines=[{"product": "box", "units": 3}])
    # 6 salves: the 5 that are finished and 1 to be made.
    assert claimed(shop) == {"salve": 5, "shea": 60, "oil": 40, "tin": 1}
    assert shop.post("checks", 200, wants=[{"product": "salve", "units": 1}])["wants"][0]["from_finished"] == 0


def test_unstocked_materials_are_never_claimed(shop: Shop) -> None:
    shop.post("materials", code="water", name="Water", stocked=False)
    shop.post("formulas", code="mist", name="Mist", lines=[{"material": "water", "percent": 100}])
    shop.post("products", code="mist-50", name="Mist", formula="mist", fill_g=50, packaging=[{"material": "tin"}])
    shop.post("orders", lines=[{"product": "mist-50", "units": 4}])
    assert shop.stock("water")["claimed"] == 0
    assert shop.stock("tin")["claimed"] == 4


def test_short_dates_serve_no_order_whose_customer_refuses_them(shop: Shop) -> None:
    shop.patch("customers/Corner shop", transit_days=3, min_life_days=150)
    shop.make(10, made_on=shop.day(-50))  # 150 days are left today, and only 147 on arrival
    shop.order(4, customer="Corner shop", channel="wholesale")
    assert claimed(shop) == {"salve": 0, "shea": 240, "oil": 160, "tin": 4}
    shop.patch("customers/Corner shop", min_life_days=147)
    assert claimed(shop) == {"salve": 4, "shea": 0, "oil": 0, "tin": 0}


def test_stock_that_rests_serves_orders_that_leave_later(shop: Shop) -> None:
    lines = [{"material": "shea", "percent": 100}]
    shop.post("formulas", code="soap", name="Soap", rest_days=30, lines=lines)
    shop.post("products", code="bar", name="Bar", formula="soap", fill_g=100)
    shop.make(10, "bar")
    for reference, due, expected in (("soon", 10, 400), ("late", 31, 0)):
        shop.post("orders", reference=reference, due_on=shop.day(due), lines=[{"product": "bar", "units": 4}])
        assert shop.stock("shea")["claimed"] == expected
        shop.patch(f"orders/{reference}", state="cancelled")


def test_shipping_and_cancelling_free_what_was_claimed(shop: Shop) -> None:
    shop.make(10)
    shop.order(15)
    assert claimed(shop)["salve"] == 10
    shop.ship(lines=[{"product": "salve", "units": 10}])
    assert claimed(shop) == {"salve": 0, "shea": 300, "oil": 200, "tin": 5}
    shop.patch("orders/o-1", state="cancelled")
    assert claimed(shop) == {"salve": 0, "shea": 0, "oil": 0, "tin": 0}


def test_a_run_warns_which_orders_are_now_short(shop: Shop) -> None:
    shop.order(30, "sooner", due_on=shop.day(5))  # 1,800 g of shea
    shop.order(40, "later", due_on=shop.day(9))  # 2,400 g
    shop.post("formulas", code="butter", name="Butter", lines=[{"material": "shea", "percent": 100}])
    fine = shop.post("runs", formula="butter", batch_g=800)  # 4,200 g are left: all that is claimed
    assert "order-short" not in str(fine["warnings"])
    over = shop.post("runs", formula="butter", batch_g=1)
    assert [one["order"] for one in over["warnings"] if one["type"] == "order-short"] == ["later"]
    both = shop.post("runs", formula="butter", batch_g=2400)  # 1,799 g are left
    assert [one["order"] for one in both["warnings"] if one["type"] == "order-short"] == ["sooner", "later"]
    # The batch that fills an order is no shortage of it: what it made serves the order.
    shop.post("receipts", material="shea", quantity=2401)
    shop.patch("orders/later", state="cancelled")
    assert "order-short" not in str(shop.make(30)["warnings"])


def test_completing_a_plan_made_for_an_order_keeps_the_link(shop: Shop) -> None:
    shop.order(4)
    plan = shop.plan(4, order="o-1")["batch"]["code"]
    made = shop.make(4, plan=plan)
    assert (made["order"], made["plan"]) == ("o-1", plan)
    assert shop.get("orders/o-1")["runs"] == [plan]
    assert claimed(shop) == {"salve": 4, "shea": 0, "oil": 0, "tin": 0}
    other = shop.make(1, order="o-1")
    assert shop.get(f"runs/{other['batch']['code']}")["order"] == "o-1"
    shop.make(1, order="nobody's", expect=404)


def test_of_several_plans_the_one_for_the_order_is_completed(shop: Shop) -> None:
    shop.order(4)
    shop.plan(4)
    mine = shop.plan(4, order="o-1")["batch"]["code"]
    assert shop.make(4, plan=None, order="o-1")["plan"] == mine
