"""Two years of orders and a stock count, through the API: what runs out when, by when to order it, and how far to trust it."""

import random
import re
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from conftest import ROOT, Bench

from service.core.demand.saying import said_day

TODAY = datetime.now(UTC).date()


def orders(weeks: int = 60, seed: int = 7) -> str:
    """An invented shop: the tin sells some twelve a week in retail, and a stockist takes 24 every fifth week."""
    dice = random.Random(seed)
    rows = ["order,date,channel,product,units"]
    for back in range(weeks * 7, 0, -1):
        day = TODAY - timedelta(days=back)
        rows += [f"R-{back}-{n},{day},online,balm-50,{dice.choice((1, 1, 2, 3))}" for n in range(dice.choice((0, 1, 1, 2)))]
        if back % 35 == 0:
            rows.append(f"W-{back},{day},wholesale,balm-50,24")
    return "\n".join(rows) + "\n"


@pytest.fixture
def sold(stocked: Bench) -> Bench:
    stocked.post("imports/orders", csv=orders())
    return stocked


def one(bench: Bench, material: str) -> dict[str, Any]:
    return bench.get(f"cover/{material}")


def test_the_ranked_list_of_what_runs_out(sold: Bench) -> None:
    found = sold.get("cover")
    listed: Any = found["materials"]
    assert listed[0]["material"] == "tin"  # a hundred of them, the rest is there for thousands
    urgency = [(row["order_by"] or "9999", row["runs_out"]["likely"] or "9999") for row in listed]
    assert urgency == sorted(urgency)
    tin, shea = listed[0], next(row for row in listed if row["material"] == "shea")
    assert tin["runs_out"]["early"] <= tin["runs_out"]["likely"] <= tin["runs_out"]["late"]
    likely = date.fromisoformat(tin["runs_out"]["likely"])
    assert timedelta(days=21) <= likely - TODAY <= timedelta(days=70)
    assert date.fromisoformat(tin["order_by"]) <= date.fromisoformat(tin["runs_out"]["early"]) - timedelta(days=13)
    assert tin["sentence"].startswith("Tin lasts until about ")
    assert "order " in tin["sentence"]
    assert (tin["on_hand"], tin["claimed"], tin["lead_time_days"], tin["service_level_percent"]) == (100, 0, 14, 95)
    assert tin["drivers"] == [{"product": "balm-50", "percent": 100}]
    assert len(tin["bands"]) == 26
    assert tin["bands"][0]["low"] <= tin["bands"][0]["high"] <= 100
    grams = shea["weekly_need"] / tin["weekly_need"]
    assert grams == pytest.approx(25 / 0.98, rel=1e-3)  # half of 50 g, and 2 % process loss
    assert "better than repeating" in str(found["how_good"])
    assert one(sold, "tin") == tin | {name: found[name] for name in ("as_of", "until", "how_good", "huge_orders")}


def test_what_is_asked_twice_is_answered_alike_and_what_changes_is_seen(sold: Bench) -> None:
    first = sold.client.get("/v1/cover/tin")
    again = sold.client.get("/v1/cover/tin", headers={"If-None-Match": first.headers["ETag"]})
    assert again.status_code == 304
    sold.post("receipts", material="tin", quantity=50)
    more = one(sold, "tin")
    assert more["runs_out"]["likely"] > first.json()["runs_out"]["likely"]
    sold.post("imports/orders", csv="order,date,product,units\nlate,2026-01-05,balm-50,1\n")
    sold.post("runs", product="balm-50", units=20)
    made = one(sold, "tin")
    assert made["on_hand"] == 130
    assert abs((date.fromisoformat(made["runs_out"]["likely"]) - date.fromisoformat(more["runs_out"]["likely"])).days) <= 3, (
        "twenty tins are now finished units, which are sold first"
    )


def test_an_imagined_order_shows_what_moves(sold: Bench) -> None:
    due = str(TODAY + timedelta(days=10))
    before = one(sold, "tin")
    asked = {"what_if": [{"product": "balm-50", "units": 90, "due_on": due}]}
    found = sold.post("cover", 200, **asked)
    moved: Any = found["moved"]
    tin = next(row for row in moved if row["material"] == "tin")
    assert tin["without"] == before["runs_out"]
    assert tin["with_it"]["likely"] < tin["without"]["likely"]
    text = sold.client.post("/v1/cover", json=asked, headers={"Accept": "text/plain"}).text
    assert "without this it lasts until about" in text
    assert one(sold, "tin") == before
    for wrong, status in (({"product": "none"}, 404), ({"due_on": "2020-01-01"}, 422), ({"units": 0}, 422)):
        sold.post("cover", status, what_if=[asked["what_if"][0] | wrong])


def test_each_sentence_of_an_imagined_order_says_what_it_moves(sold: Bench) -> None:
    """In the week after the likely day it is the last of the days that moves. Beyond sight: nothing."""
    tin = one(sold, "tin")["runs_out"]
    likely = date.fromisoformat(tin["likely"])
    due = str(likely + timedelta(days=7 - likely.weekday()))
    asked: Any = {"product": "balm-50", "units": 1_000, "due_on": due}
    found = sold.post("cover", 200, what_if=[asked])
    moved: Any = next(row for row in found["moved"] if row["material"] == "tin")  # type: ignore[attr-defined]
    assert moved["with_it"]["likely"] == moved["without"]["likely"] == tin["likely"]
    assert moved["with_it"]["late"] < moved["without"]["late"]
    early, late = (said_day(date.fromisoformat(tin[name]), TODAY) for name in ("early", "late"))
    assert moved["sentence"].endswith(f"; without this between {early} and {late}.")
    far = sold.post("cover", 200, what_if=[asked | {"due_on": str(TODAY + timedelta(days=400))}])
    until = date.fromisoformat(str(found["until"]))
    assert (far["moved"], far["sentence"]) == ([], f"This moves nothing until {said_day(until, TODAY)}.")


def test_an_open_order_counts_for_certain(sold: Bench) -> None:
    before = one(sold, "tin")
    line = [{"product": "balm-50", "units": 95}]
    due = str(TODAY + timedelta(days=6))
    sold.post("orders", reference="big", channel="wholesale", placed_on=str(TODAY), due_on=due, lines=line)
    after = one(sold, "tin")
    assert after["claimed"] == 95
    assert date.fromisoformat(after["runs_out"]["late"]) <= TODAY + timedelta(days=13)
    assert after["runs_out"]["late"] < before["runs_out"]["early"]


def test_lead_times_and_service_levels_move_the_order_date(sold: Bench) -> None:
    usual = date.fromisoformat(one(sold, "tin")["order_by"])
    sold.client.patch("/v1/materials/tin", json={"lead_time_days": 24})
    assert usual - date.fromisoformat(one(sold, "tin")["order_by"]) == timedelta(days=10)
    sold.client.patch("/v1/materials/tin", json={"service_level_percent": "60"})
    assert date.fromisoformat(one(sold, "tin")["order_by"]) > usual - timedelta(days=10)
    sold.client.patch("/v1/materials/tin", json={"lead_time_days": None, "service_level_percent": None})
    sold.client.patch("/v1/workshop", json={"lead_time_days": 4, "service_level_percent": 95})
    assert date.fromisoformat(one(sold, "tin")["order_by"]) - usual == timedelta(days=10)
    assert sold.client.patch("/v1/workshop", json={"service_level_percent": 100}).status_code == 422


def test_sentences_for_reading_aloud(sold: Bench) -> None:
    def text(path: str) -> str:
        return sold.client.get(path, headers={"Accept": "text/plain"}).text

    assert text("/v1/cover").splitlines()[0] == one(sold, "tin")["sentence"]
    assert text("/v1/cover/tin").count("\n") == 1
    everything, retail, wholesale = text("/v1/forecasts/balm-50").splitlines()
    assert re.match(
        r"Balm, 50 g is expected to sell \d+ in all in 4 weeks, between \d+ and \d+\. Over \d+ past spans", everything
    )
    assert everything.endswith(str(sold.get("forecasts/balm-50")["how_good"]))
    for line, where in ((retail, "in retail"), (wholesale, "in wholesale")):
        assert re.match(rf"Balm, 50 g is expected to sell \d+ {where} in 4 weeks, between \d+ and \d+\. Over ", line)
        assert "its forecasts were " in line
        assert line.endswith(" lay between the 10 % and 90 % lines (80 % should).")


def test_the_forecast_by_channel_and_how_good_it_was(sold: Bench) -> None:
    found = sold.get("forecasts/balm-50?weeks=8")
    channels: Any = {row["channel"]: row for row in found["channels"]}  # type: ignore[union-attr]
    assert channels.keys() == {"retail", "wholesale"}
    retail, whole = channels["retail"], found["all"]
    assert len(retail["weeks"]) == 8
    assert 9 <= retail["weekly_mean"] <= 16
    assert 2 <= channels["wholesale"]["weekly_mean"] <= 9
    for row in retail["weeks"]:
        for part in (row["weekly"], row["cumulative"]):
            assert list(part.values()) == sorted(part.values())
    last = whole["weeks"][-1]["cumulative"]  # type: ignore[index]
    assert retail["weeks"][-1]["cumulative"]["p50"] < last["p50"] < last["p99"]
    assert whole["weeks_of_history"] == max(row["weeks_of_history"] for row in channels.values()) >= 59  # type: ignore[index]
    assert retail["how_good"]["spans"] >= 10
    assert retail["how_good"]["against_naive"] < 1
    assert retail["how_good"]["inside_percent"] >= 50
    assert date.fromisoformat(retail["weeks"][0]["begins"]).weekday() == 0
    sold.client.patch("/v1/workshop", json={"week_start": "sunday"})
    assert date.fromisoformat(sold.get("forecasts/balm-50")["all"]["weeks"][0]["begins"]).weekday() == 6  # type: ignore[index]


def test_a_forecast_is_of_whole_units_also_where_orders_are_known(sold: Bench) -> None:
    line, due = [{"product": "balm-50", "units": 30}], str(TODAY + timedelta(days=10))
    sold.post("orders", channel="wholesale", due_on=due, lines=line)
    found: Any = sold.get("forecasts/balm-50?weeks=4")
    wholesale = next(row for row in found["channels"] if row["channel"] == "wholesale")
    assert wholesale["known_units"] == 30
    for row in (wholesale, found["all"]):
        stated = [part for week in row["weeks"] for part in (*week["weekly"].values(), *week["cumulative"].values())]
        assert [part for part in stated if not isinstance(part, int)] == []
    assert wholesale["weeks"][-1]["cumulative"]["p10"] == 30, "known orders consume what was expected beside them"


def test_a_new_product_a_set_and_a_season(sold: Bench) -> None:
    packaging = [{"material": "tin", "quantity": 1}]
    sold.post("products", code="new-50", name="New balm", formula="balm", fill_g=50, packaging=packaging, like=["balm-50"])
    new: Any = sold.get("forecasts/new-50")
    assert new["all"]["weekly_mean"] > 5
    assert {row["borrowed_percent"] for row in new["channels"]} == {100}
    assert "borrowed from Balm, 50 g" in new["sentence"]
    assert new["channels"][0]["how_good"] is None
    assert new["channels"][0]["sentence"].endswith("There is too little history to say how good its forecasts have been.")
    sold.post("products", code="gift", name="Gift", contains=[{"product": "new-50", "quantity": 2}])
    sold.post("imports/orders", csv=orders().replace("balm-50", "gift").replace("R-", "G-").replace("W-", "X-"))
    inside: Any = sold.get("forecasts/new-50")
    assert inside["through_sets"] == [{"product": "gift", "units": 2}]
    assert inside["all"]["weekly_mean"] > 2.5 * new["all"]["weekly_mean"]
    assert [row["product"] for row in one(sold, "tin")["drivers"]] == ["new-50", "balm-50"]
    begins = TODAY + timedelta(days=120)
    ends = TODAY + timedelta(days=150)
    sold.client.patch("/v1/products/balm-50", json={"sold_from": f"{begins:%m-%d}", "sold_until": f"{ends:%m-%d}"})
    season: Any = sold.get("forecasts/balm-50?weeks=26")
    weekly = [row["weekly"]["p95"] for row in season["all"]["weeks"]]
    assert weekly[:15] == [0] * 15
    assert max(weekly) > 0
    assert sold.client.patch("/v1/products/balm-50", json={"sold_from": None}).status_code == 422
    assert sold.client.patch("/v1/products/balm-50", json={"like": ["none"]}).status_code == 404


def test_one_huge_order_is_shown_and_asked_about(sold: Bench) -> None:
    usual: Any = sold.get("forecasts/balm-50")
    day = TODAY - timedelta(days=30)
    sold.post("imports/orders", csv=f"order,date,channel,product,units\nGIANT,{day},online,balm-50,900\n")
    found: Any = sold.get("forecasts/balm-50")
    [huge] = found["huge_orders"]
    assert (huge["order"], huge["channel"], huge["day"], huge["units"]) == ("GIANT", "retail", str(day), 900)
    assert huge["usual_most"] < 20
    assert "Will such orders come again?" in huge["question"]
    mean = [next(row for row in one["channels"] if row["channel"] == "retail")["weekly_mean"] for one in (usual, found)]
    assert mean[1] < 1.5 * mean[0]


def test_what_nothing_sells_has_no_date(stocked: Bench) -> None:
    found = one(stocked, "shea")
    assert found["runs_out"] == {"early": None, "likely": None, "late": None}
    assert found["sentence"].startswith("Shea butter is not needed by anything expected to sell by ")
    nothing = stocked.get("forecasts/balm-50")
    assert (nothing["channels"], nothing["all"]) == ([], None)
    assert nothing["sentence"] == "Balm, 50 g has not been ordered, and is like nothing that was."
    for path in ("cover/none", "cover/balm-50", "forecasts/none", "forecasts/shea"):
        assert stocked.client.get(f"/v1/{path}").status_code == 404, path


def test_the_service_itself_never_loads_numpy(sold: Bench) -> None:
    """Only the child does: the parent knows the tasks by their names."""
    program = (
        "import sys\nimport service.app, service.actions.cover, service.actions.forecasts, service.actions.compute\n"
        "from service.actions.compute import CHILD\nfrom service.core.demand.planning import History, Books\n"
        "print(CHILD.run('cover', History(740000), Books(), []), CHILD.run('quality', History(740000)))\nCHILD.close()\n"
        "print(sorted({name.split('.')[0] for name in sys.modules} & {'numpy', 'scipy'}))\n"
    )
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.stdout.splitlines() == ["([], None) None", "[]"], done.stderr
