"""Cost layers against the published figures, where the rule is the service's own: each lot at its own cost."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from published import Case, cases, check

from service.core import units
from service.core.stock import costs, draw

START = date(2027, 3, 1)


def play(events: list[list[object]]) -> tuple[int, int, int]:
    """What was bought, used and left (in millionths) when each purchase is a lot and each sale a draw."""
    lots: dict[int, dict[str, int]] = {}
    bought = used = 0
    for n, (kind, quantity, *price) in enumerate(events):
        day = START + timedelta(days=n)
        assert isinstance(quantity, int)
        if kind == "buy":
            cost = units.money_in(Decimal(str(price[0])) * quantity, "#/cost")
            lots[n] = {"left": quantity, "received": quantity, "cost": cost}
            bought += cost
            continue
        shelves = [draw.Shelf(at, f"lot-{at}", START + timedelta(days=at), draw.FOREVER, lot["left"]) for at, lot in lots.items()]
        drawn = draw.draw(shelves, quantity, day)
        assert not drawn.short
        for take in drawn.takes:
            lot = lots[take.lot_id]
            before = costs.worth(lot["cost"], lot["left"], lot["received"])
            lot["left"] -= take.quantity
            after = costs.worth(lot["cost"], lot["left"], lot["received"])
            assert before is not None
            assert after is not None
            used += before - after
    left = costs.total([costs.worth(lot["cost"], lot["left"], lot["received"]) for lot in lots.values()])
    assert left is not None
    return bought, used, left


@pytest.mark.parametrize("case", cases("FIFO / weighted / moving average"))
def test_lots_that_do_not_expire_cost_first_in_first_out(case: Case) -> None:
    """The averages of the same case are not the service's rule (law 9 costs the lots really used)."""
    bought, used, left = (Decimal(micro) / units.MICRO for micro in play(case["inputs"]["events"]))
    expected = case["expected"]
    check(case, "goods available", bought, expected["goods_available"])
    check(case, "cost of goods sold", used, expected["fifo"]["cogs"])
    check(case, "ending inventory", left, expected["fifo"]["ending"])
    assert used + left == bought
