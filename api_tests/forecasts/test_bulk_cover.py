"""How long bulk lasts that is kept, goes into other bulk, and is filled later; and what a fixed loss of each batch takes."""

from datetime import date
from typing import Any

import pytest
from conftest import Bench
from forecasts.past import TODAY, every_week


@pytest.fixture
def herbal(stocked: Bench) -> Bench:
    """A herb oil that rests four weeks goes into a cream that is filled into tins; ten tins of 100 g are sold each week."""
    stocked.post("materials", code="herbs", name="Dried herbs")
    stocked.post("receipts", material="herbs", quantity=2000, cost=40)
    lines = [{"material": "oil", "percent": 90}, {"material": "herbs", "percent": 10}]
    stocked.post("formulas", code="herb-oil", name="Herb oil", rest_days=28, lines=lines)
    lines = [{"material": "herb-oil", "percent": 40}, {"material": "shea", "percent": "rest"}]
    stocked.post("formulas", code="cream", name="Cream", lines=lines)
    stocked.post("products", code="cream-100", name="Cream, 100 g", formula="cream", fill_g=100,
                 packaging=[{"material": "tin"}])  # fmt: skip
    every_week(stocked, 10, weeks=26, product="cream-100")
    return stocked


def days(found: dict[str, Any], which: str = "likely") -> int:
    return (date.fromisoformat(found["runs_out"][which]) - TODAY).days


def test_bulk_that_is_kept_is_used_by_others_and_filled_later(herbal: Bench) -> None:
    """3 kg of cream fill 30 tins: three weeks. 2 kg of herb oil make 5 kg more: it lasts five weeks longer."""
    herbal.post("runs", formula="herb-oil", batch_g=2000, made_on=str(date.fromordinal(TODAY.toordinal() - 40)), plan="none")
    herbal.post("runs", formula="herb-oil", batch_g=1200, made_on=str(date.fromordinal(TODAY.toordinal() - 40)), plan="none")
    herbal.post("runs", formula="cream", batch_g=3000, plan="none")
    cream: Any = herbal.get("cover/cream")
    assert (cream["kind"], cream["unit"], cream["on_hand"], cream["lead_time_days"]) == ("bulk", "g", 3000, 0)
    assert cream["weekly_need"] == pytest.approx(1000, rel=0.1)
    assert 14 <= days(cream) <= 28
    assert cream["drivers"] == [{"product": "cream-100", "percent": 100}]
    assert cream["sentence"].startswith("Cream lasts until about ")
    assert "; make it by " in cream["sentence"] or "; make it " in cream["sentence"]
    oil: Any = herbal.get("cover/herb-oil")
    assert (oil["on_hand"], oil["lead_time_days"]) == (2000, 28)
    assert oil["weekly_need"] == pytest.approx(400, rel=0.1)
    assert 30 <= days(oil) - days(cream) <= 40
    assert date.fromisoformat(oil["order_by"]) <= date.fromisoformat(oil["runs_out"]["early"])
    listed: Any = herbal.get("cover")["materials"]
    assert {"cream", "herb-oil", "shea", "tin"} <= {row["material"] for row in listed}
    assert "balm" not in {row["material"] for row in listed}, "none of it is kept"
    herbal.post("disposals", lot=cream_lot(herbal), quantity=3000, reason="spoiled")
    assert days(herbal.get("cover/herb-oil")) < days(oil)


def cream_lot(bench: Bench) -> str:
    found: Any = bench.get("materials/cream")
    return str(found["lots"][0]["code"])


def test_bulk_that_is_not_kept_says_when_a_batch_is_needed(herbal: Bench) -> None:
    found: Any = herbal.get("cover/cream")
    assert found["on_hand"] == 0
    assert found["sentence"].startswith("No Cream is kept")
    herbal.post("runs", product="cream-100", units=20, made_on=str(TODAY))
    later: Any = herbal.get("cover/cream")
    assert days(later) >= 7, "twenty tins are sold first"
    assert later["sentence"].startswith("No Cream is kept: a batch is needed about ")
    herbal.client.patch("/v1/products/balm-50", json={"active": False})
    unused: Any = herbal.get("cover/balm")
    assert unused["sentence"].startswith("Balm is not needed by anything expected to sell by ")
    herbal.client.patch("/v1/formulas/balm", json={"active": False})
    assert herbal.client.get("/v1/cover/balm").status_code == 404


def needed(bench: Bench) -> float:
    """Grams of beeswax a week."""
    return float(bench.get("cover/wax")["weekly_need"])  # type: ignore[arg-type]


def test_a_fixed_loss_is_spread_over_the_batch_that_is_made(stocked: Bench) -> None:
    """Half of each unit of 100 g is wax, and 50 g of each batch stay on the vessels, whatever the batch."""
    lines = [{"material": "wax", "percent": 50}, {"material": "oil", "percent": 50}]
    versions = "formulas/candle/versions"
    stocked.post("formulas", code="candle", name="Candle", process_loss_g=50, lines=lines)
    stocked.post("products", code="candle-100", name="Candle", formula="candle", fill_g=100)
    stocked.client.patch("/v1/products/balm-50", json={"active": False})
    every_week(stocked, 10, weeks=26, product="candle-100")
    tins = float(stocked.get("forecasts/candle-100")["all"]["weekly_mean"])  # type: ignore[index]
    plain = 50 * tins
    month = needed(stocked)
    assert month == pytest.approx(plain * 4050 / 4000, rel=0.03), "nothing is known: what four weeks sell"
    stocked.post(versions, process_loss_g=50, smallest_batch_g=500, lines=lines)
    assert needed(stocked) / month == pytest.approx((500 / 450) / (4050 / 4000), rel=0.01)
    stocked.post("runs", formula="candle", batch_g=250, made_on="2026-01-05", plan="none")
    stocked.post("disposals", lot=candle_lot(stocked), quantity=200, reason="spoiled")
    assert needed(stocked) / month == pytest.approx((250 / 200) / (4050 / 4000), rel=0.01), "as it is made"
    stocked.post(versions, process_loss_g=50, usual_batch_g=1000, lines=lines)
    assert needed(stocked) / month == pytest.approx((1000 / 950) / (4050 / 4000), rel=0.01)


def candle_lot(bench: Bench) -> str:
    found: Any = bench.get("materials/candle")
    return str(found["lots"][0]["code"])
