"""Whatever changes what was ordered, or what is known of its days, is seen by the very next answers: nothing stale is shown."""

from collections.abc import Callable
from typing import Any

from conftest import Bench
from forecasts.past import day, every_week, told

Act = Callable[[Bench], object]
SPRING = {"channel": "retail", "customer": "Island shop", "placed_on": str(day(4)), "due_on": str(day(3))}


def asked(*units: int) -> dict[str, Any]:
    return {"lines": [{"product": "balm-50", "units": some} for some in units]}


def post(path: str, **body: Any) -> Act:
    return lambda bench: bench.post(path, **body)


def patch(path: str, **body: Any) -> Act:
    def act(bench: Bench) -> None:
        answer = bench.client.patch(f"/v1/{path}", json=body)
        assert answer.status_code == 200, answer.text

    return act


def imported(*rows: tuple[Any, ...]) -> Act:
    return lambda bench: told(bench, *rows)


def marked(bench: Bench) -> str:
    found: Any = bench.get("calendar-marks")
    return f"calendar-marks/{found['items'][0]['mark']}"


def unmark(bench: Bench) -> None:
    assert bench.client.delete(f"/v1/{marked(bench)}").status_code == 204


ACTS: dict[str, Act] = {
    "an order is accepted": post("orders", reference="spring", **SPRING, **asked(30)),
    "it asks for more": patch("orders/spring", **asked(34)),
    "it has one line more": patch("orders/spring", **asked(34, 5)),
    "it is of another channel": patch("orders/spring", channel="wholesale"),
    "it was due on another day": patch("orders/spring", due_on=str(day(9))),
    "its customer is far away": patch("customers/Island shop", transit_days=28),
    "it was another customer's": patch("orders/spring", customer="Next door"),
    "it was the only one of its kind": patch("orders/spring", one_off=True),
    "it was not": patch("orders/spring", one_off=False),
    "it is cancelled": patch("orders/spring", state="cancelled"),
    "it is open again": patch("orders/spring", state="open"),
    "it was due on no day": patch("orders/spring", due_on=None),
    "it was placed on another day": patch("orders/spring", placed_on=str(day(12))),
    "an order is imported": imported(("file", day(2), "wholesale", "balm-50", 26)),
    "another line of it is imported": imported(*[("file", day(2), "wholesale", "balm-50", 26)] * 2),
    "a market day is told": post("market-days", day=str(day(6, 5)), **asked(22)),
    "days were closed": post("calendar-marks", kind="closed", from_on=str(day(5)), until_on=str(day(5, 6))),
    "other days were": lambda bench: patch(marked(bench), from_on=str(day(8)))(bench),
    "no days were": unmark,
    "the product is sold in winter alone": patch("products/balm-50", sold_from="10-01", sold_until="03-31"),
    "weeks begin on another day": patch("workshop", week_start="thursday"),
}


def test_each_change_of_what_was_ordered_is_seen(stocked: Bench) -> None:
    every_week(stocked, 20, weeks=26)
    before = answers(stocked)
    for what, act in ACTS.items():
        act(stocked)
        after = answers(stocked)
        assert all(new != old for new, old in zip(after, before, strict=True)), what
        assert answers(stocked) == after, f"asked again after: {what}"
        before = after


def answers(bench: Bench) -> tuple[Any, Any]:
    """What the product will sell, and how long stock lasts."""
    forecast, cover = bench.get("forecasts/balm-50"), bench.get("cover")
    return forecast["channels"], cover["materials"]


def test_what_was_ordered_and_taken_back_leaves_no_trace(stocked: Bench) -> None:
    every_week(stocked, 20, weeks=26)
    before = answers(stocked)
    for act in (ACTS["an order is accepted"], ACTS["it was due on another day"], ACTS["it is cancelled"]):
        act(stocked)
    assert answers(stocked) == before
