"""One order far above all others: capped, shown and asked about; what is answered is learnt, or never learnt."""

from typing import Any

import pytest
from conftest import Bench
from forecasts.past import day, every_week, mean, told, weekly

USUAL = 20


@pytest.fixture
def sold(stocked: Bench) -> Bench:
    """Twenty a week in orders of two."""
    every_week(stocked, USUAL, weeks=26)
    return stocked


def asked(bench: Bench, path: str = "forecasts/balm-50") -> list[dict[str, Any]]:
    return bench.get(path)["huge_orders"]  # type: ignore[return-value]


def answer(bench: Bench, reference: str, one_off: bool | None) -> None:
    changed = bench.client.patch(f"/v1/orders/{reference}", json={"one_off": one_off})
    assert (changed.status_code, changed.json()["one_off"]) == (200, one_off)


def test_it_is_capped_shown_and_asked_about_until_someone_answers(sold: Bench) -> None:
    before = mean(sold)
    told(sold, ("GIANT", day(4, 2), "online", "balm-50", 600))
    capped = mean(sold)
    assert capped < 1.2 * before
    [huge] = asked(sold)
    assert (huge["order"], huge["products"], huge["channel"], huge["day"]) == ("GIANT", ["balm-50"], "retail", str(day(4, 2)))
    assert huge["units"] == 600
    assert 2 <= huge["usual_most"] < 10
    assert huge == asked(sold, "cover")[0] == asked(sold, "cover/tin")[0]
    for path in ("forecasts/balm-50", "cover"):
        text = sold.client.get(f"/v1/{path}", headers={"Accept": "text/plain"}).text
        assert "Order GIANT asked for 600 of Balm, 50 g" in text, path
        assert "Will such orders come again?" in text
    answer(sold, "GIANT", True)
    assert (mean(sold), asked(sold), asked(sold, "cover")) == (before, [], []), "one-off: as if it had never been"
    answer(sold, "GIANT", False)
    assert mean(sold) > 1.5 * capped, "it will come again: learnt as it is"
    assert asked(sold) == []
    answer(sold, "GIANT", None)
    assert (mean(sold), len(asked(sold))) == (capped, 1), "asked again"


def test_an_order_in_many_lines_is_one_order(sold: Bench) -> None:
    told(sold, *[("SPLIT", day(5, n % 2), "online", "balm-50", 4) for n in range(50)])
    [huge] = asked(sold)
    assert (huge["order"], huge["units"]) == ("SPLIT", 200)


def test_an_order_of_many_products_is_noticed_by_its_total(sold: Bench) -> None:
    """Of none of them it asks for much: three of each where two are usual."""
    codes = [f"balm-{n}" for n in range(12)]
    for code in codes:
        sold.post("products", code=code, name=code, formula="balm", fill_g=10)
        every_week(sold, 2, weeks=26, product=code, stem=code)
    before = mean(sold, product=codes[0])
    told(sold, *[("HAMPER", day(1), "online", code, 3) for code in codes])
    for path in (f"forecasts/{codes[0]}", "cover"):
        [huge] = asked(sold, path)
        assert (huge["order"], huge["products"], huge["units"]) == ("HAMPER", [], 36)
        assert "36 units in all" in huge["question"]
    assert asked(sold) == [], "it has none of this one"
    capped = mean(sold, product=codes[0])
    answer(sold, "HAMPER", False)
    assert before <= capped < mean(sold, product=codes[0])


def test_ordinary_orders_are_not_asked_about(stocked: Bench) -> None:
    """Sizes of orders have long tails; and what came twice comes again."""
    sizes = [1, 1, 2, 3, 1, 2, 6, 1, 2, 4, 2, 1, 12, 2, 1, 3, 1, 8]
    rows = [(f"R-{n}", day(60 - 2 * n, n % 7), "online", "balm-50", units) for n, units in enumerate(sizes)]
    told(stocked, *rows)
    assert asked(stocked) == []
    told(stocked, ("A", day(20), "online", "balm-50", 500), ("B", day(10), "online", "balm-50", 480))
    assert asked(stocked) == []
    told(stocked, ("W", day(10), "wholesale", "balm-50", 400))
    assert asked(stocked) == [], "the only one of its channel: there is nothing to compare it with"


def test_an_order_known_to_be_one_off_is_never_learnt(sold: Bench) -> None:
    """A wedding: accepted as such, it claims and is shipped like any other."""
    before = mean(sold)
    lines = [{"product": "balm-50", "units": 90}]
    made = sold.post("orders", reference="wedding", lines=lines, placed_on=str(day(3)), due_on=str(day(2)), one_off=True)
    assert made["one_off"] is True
    assert sold.get("materials/tin")["claimed"] == 90
    assert sold.get("cover/tin")["runs_out"]["late"] < str(day(-4)), "it must still be served"  # type: ignore[index]
    assert sold.get("forecasts/balm-50")["all"]["known_units"] == 0  # type: ignore[index]
    sold.client.patch("/v1/orders/wedding", json={"state": "cancelled"})
    assert mean(sold) == before


def test_a_one_off_order_to_come_is_on_top_of_what_is_forecast(sold: Bench) -> None:
    calm = weekly(sold)[3]
    lines = [{"product": "balm-50", "units": 60}]
    sold.post("orders", reference="guild", lines=lines, due_on=str(day(-3, 2)))
    assert weekly(sold)[3] == 60, "the forecast expected customers: this is one of them"
    as_usual = sold.get("cover/tin")["runs_out"]
    answer(sold, "guild", True)
    assert weekly(sold)[3] == pytest.approx(60 + calm, abs=3)
    assert sold.get("forecasts/balm-50")["all"]["known_units"] == 60  # type: ignore[index]
    assert sold.get("cover/tin")["runs_out"]["likely"] <= as_usual["likely"]  # type: ignore[index]
