"""What a purchase plan orders, keeps to, and says of itself."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from api_tests.conftest import SOAK
from api_tests.core.instances import EUR, KG, gamma_need, workshop
from service.core.buying import model
from service.core.buying.answers import Late, LeftOut, Plan
from service.core.buying.courses import make
from service.core.buying.facts import Facts, Material, Settings, Supplier
from service.core.buying.offers import Break, Offer, Terms, allowed
from service.core.buying.paths import Coming
from service.core.buying.plan import plan
from service.core.buying.words import Words
from service.core.cover.runout import Floats, Lot

# --- the plan ----------------------------------------------------------------------------------------------------------------


def shea(need: Floats, *lots: Lot) -> Material:
    return Material("shea", "Shea butter", "g", need, lots)


def supplier(name: str = "north", delivery: float = 0, free: float | None = None, smallest: float = 0, lead: int = 5) -> Supplier:
    terms = Terms(name, int(delivery * EUR), None if free is None else int(free * EUR), int(smallest * EUR))
    return Supplier(name, terms, np.array([lead]), 7)


def planned(materials: list[Material], offers: list[Offer], *suppliers: Supplier, **settings: object) -> Plan:
    return plan(Facts(materials, offers, {one.name: one for one in suppliers}, Settings(**settings)))  # type: ignore[arg-type]


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95, 0.98])
def test_the_service_level_asked_for_is_the_one_obtained(level: float) -> None:
    need = gamma_need(np.random.default_rng(8), 2.0, 2000)
    tiny = Offer("tub", "north", "shea", KG // 50, EUR // 5)
    got = planned([shea(need, Lot(2.0 * KG))], [tiny], supplier(), service_level=level)
    (line,) = got.orders[0].lines
    assert line.risk_after == pytest.approx(1 - level, abs=0.02)
    assert line.risk_before > line.risk_after


def test_delivery_is_worth_a_larger_order_and_never_running_out() -> None:
    need = gamma_need(np.random.default_rng(9), 1.0)
    tub = Offer("tub", "north", "shea", KG // 4, int(2.5 * EUR))
    without = planned([shea(need)], [tub], supplier(), service_level=0.95)
    charged = planned([shea(need)], [tub], supplier(delivery=12), service_level=0.95)
    assert charged.orders[0].lines[0].quantity > 2 * without.orders[0].lines[0].quantity
    free = planned([shea(need)], [tub], supplier(delivery=12, free=60), service_level=0.95)
    assert free.orders[0].goods >= 60 * EUR
    assert free.orders[0].delivery == 0
    for got in (without, charged, free):
        assert got.orders[0].lines[0].risk_after <= 0.06


def test_smallest_orders_breaks_and_expiry_are_kept() -> None:
    need = gamma_need(np.random.default_rng(10), 0.5)
    tub = Offer("tub", "north", "shea", KG, 10 * EUR, least_packs=3)
    got = planned([shea(need)], [tub], supplier(smallest=45))
    assert got.orders[0].goods >= 45 * EUR
    cheap = replace(tub, breaks=(Break(20, 7 * EUR),), least_packs=1)
    got = planned([shea(need)], [cheap], supplier())
    assert got.orders[0].lines[0].packs == 20  # forty weeks' need, 30 % cheaper
    assert got.orders[0].lines[0].pack_price == 7 * EUR
    short_lived = replace(cheap, life_days=60)
    got = planned([shea(need)], [short_lived], supplier())
    (line,) = got.orders[0].lines
    assert line.packs < 20  # most of twenty would expire
    assert line.expires < 0.2 * line.quantity


def test_a_pack_that_must_expire_is_bought_and_said() -> None:
    need = gamma_need(np.random.default_rng(11), 0.05)
    drum = Offer("drum", "north", "shea", 5 * KG, 30 * EUR, life_days=90)
    got = planned([shea(need)], [drum], supplier())
    (line,) = got.orders[0].lines
    assert line.packs == 1
    assert line.expires == pytest.approx(5 * KG - 0.05 * KG * 90 / 7, rel=0.05)
    assert got.costs.expires == line.expires_cost > 25 * EUR


def test_stock_that_lasts_is_left_alone() -> None:
    need = gamma_need(np.random.default_rng(12), 1.0)
    got = planned([shea(need, Lot(8.0 * KG))], [Offer("tub", "north", "shea", KG, 10 * EUR)], supplier(delivery=8))
    assert got.orders == ()
    assert got.costs.goods == got.costs.delivery == 0
    assert got.gap <= 1e-3
    arriving = planned([shea(need, Lot(8.0 * KG, None, 4))], [Offer("tub", "north", "shea", KG, 10 * EUR)], supplier())
    assert arriving.orders == ()


def test_what_is_late_is_named_with_the_day_it_can_be_had() -> None:
    need = gamma_need(np.random.default_rng(13), 1.0)
    wax = Material("wax", "Beeswax", "g", need)
    got = planned([shea(need, Lot(0.2 * KG)), wax], [Offer("tub", "north", "shea", KG, 10 * EUR)], supplier(lead=6))
    late = {one.material: one for one in got.late}
    assert late["shea"].arrives == 6
    assert late["shea"].runs_out in (0, 1)
    assert late["shea"].risk > 0.9
    assert late["wax"].arrives is None
    assert got.orders[0].lines[0].arrives == 6
    assert not planned([shea(need, Lot(3.0 * KG))], [Offer("tub", "north", "shea", KG, 10 * EUR)], supplier()).late


@pytest.mark.parametrize(("offered", "comes", "there"), [(True, 3, 3), (True, 8, 6), (False, 3, 3), (False, None, None)])
def test_what_is_on_order_may_be_there_first(offered: bool, comes: int | None, there: int | None) -> None:
    """300 g last two days of a kilogram a week; an order of today comes on the sixth, what is on order perhaps before."""
    need = np.full((100, 26), float(KG))
    coming = [] if comes is None else [Coming(5.0 * KG, np.array([comes] * len(need)))]
    used_up = Coming(0.1 * KG, np.ones(len(need), dtype=np.int64))  # comes before it runs out: no help
    short = Material("shea", "Shea butter", "g", need, (Lot(0.2 * KG), used_up, *coming))
    offers = [Offer("tub", "north", "shea", KG, 10 * EUR)] if offered else []
    [late] = planned([short], offers, supplier(lead=6)).late
    assert (late.runs_out, late.arrives) == (2, there)


def test_a_budget_is_kept_and_what_it_leaves_out_is_said() -> None:
    rng = np.random.default_rng(14)
    materials = [Material(code, code, "g", gamma_need(rng, 1.0), (Lot(stock * KG),)) for code, stock in (("a", 0.9), ("b", 1.6))]
    offers = [Offer(f"of-{one.code}", "north", one.code, KG, 10 * EUR) for one in materials]
    whole = planned(materials, offers, supplier())
    assert sum(order.total for order in whole.orders) > 10 * EUR
    got = planned(materials, offers, supplier(), budget=10 * EUR)
    assert sum(order.total for order in got.orders) <= 10 * EUR
    assert [line.material for line in got.orders[0].lines] == ["a"], "the emptier shelf comes first"
    assert got.left_out
    for left in got.left_out:
        assert left.risk_without > left.risk_with


def test_the_parts_of_the_cost_add_up() -> None:
    rng = np.random.default_rng(15)
    materials = [Material(f"m{at}", f"m{at}", "g", gamma_need(rng, 1.0), (Lot(at * KG, 20 * at + 5),)) for at in range(4)]
    offers = [Offer(f"o{at}", "north", f"m{at}", KG, (8 + at) * EUR, life_days=200) for at in range(4)]
    got = planned(materials, offers, supplier(delivery=9, free=80))
    costs = got.costs
    parts = costs.goods + costs.delivery + costs.capital + costs.running_out - costs.saved
    assert parts == pytest.approx(costs.total, abs=5)
    assert costs.goods == sum(order.goods for order in got.orders)
    assert costs.delivery == sum(order.delivery for order in got.orders)
    assert got.bound <= costs.total
    for order in got.orders:
        assert sum(line.delivery for line in order.lines) == order.delivery


def test_a_line_says_why() -> None:
    need = gamma_need(np.random.default_rng(16), 1.0)
    offers = [
        Offer("n1", "north", "shea", KG, 10 * EUR, claims=frozenset({"organic"}), life_days=365),
        Offer("s1", "south", "shea", KG, 9 * EUR),
    ]
    kept, aside = allowed(offers, date(2026, 3, 1), prefer=["organic"])
    facts = Facts([shea(need, Lot(1.5 * KG))], kept, {one.name: one for one in (supplier(), supplier("south", delivery=7))})
    got = plan(facts, aside)
    (line,) = got.orders[0].lines
    assert line.offer == "n1"
    assert line.other is not None
    assert (line.other.offer, line.other.cost) == ("s1", line.packs * 9 * EUR + 7 * EUR)
    assert line.needed_by is not None
    assert 5 <= line.needed_by <= 9  # 1.5 kg at 1 kg a week, give or take a week's luck
    assert line.covers_until is not None
    assert line.covers_until >= 12
    assert line.next_arrival == 12
    words = Words(date(2026, 3, 1), "EUR", {"shea": "Shea butter"}, {"shea": "g"}, {"north": "north", "south": "south"})
    said = words.line(line, "north", "1 kg")
    assert said.startswith(f"{line.packs} x 1 kg of Shea butter from north for {line.packs * 10}.00 EUR; to be there by ")
    assert "March" in said
    assert "next best offer, south's" in said
    assert f"falls from {line.risk_before * 100:.0f} % to " in said
    assert "; none of it is expected to expire unused; " in said
    aging = words.line(replace(line, expires=0.25 * KG, expires_cost=2_500_000), "north", "1 kg")
    assert "; 250 g may expire unused (2.50 EUR); " in aging
    alone = replace(words, some=True).line(replace(line, other=None), "north", "2 lb", ["fair trade", "vegan"])
    assert alone.startswith(f"{line.packs} x 2 lb of Shea butter")
    assert alone.endswith(
        "; there is no other offer of these suppliers; none of these suppliers offers it as fair trade and vegan."
    )
    same = words.line(replace(line, risk_after=line.risk_before), "north", "1 kg")
    assert "the risk of running out before 13 March stays at " in same
    assert words.whole(got) == f"Order 1 line for {line.packs * 10}.00 EUR: north ({line.packs * 10}.00 EUR)."
    charged = replace(got, orders=(replace(got.orders[0], delivery=7 * EUR),))
    assert words.whole(charged) == (
        f"Order 1 line for {line.packs * 10 + 7}.00 EUR: north ({line.packs * 10 + 7}.00 EUR, 7.00 EUR of it delivery)."
    )


def test_what_is_not_ordered_is_said_as_it_is() -> None:
    words = Words(date(2026, 3, 1), "EUR", {"shea": "Shea butter"}, {"shea": "g"}, {})
    nothing = planned([], [], supplier())
    assert (nothing.orders, nothing.proven, nothing.gap) == ((), True, 0.0)
    assert words.whole(nothing) == "Nothing needs to be ordered today."
    assert words.whole(replace(nothing, gap=np.inf)) == "No order was found in the time there was."
    left = LeftOut("n1", "shea", "north", 2, 20 * EUR, 0.001, 0.3)
    assert words.whole(replace(nothing, left_out=(left,))) == "Nothing can be ordered within the budget."
    assert words.left_out(left) == (
        "The budget left out 2 packs of Shea butter (20.00 EUR): the risk of running out is 30 % instead of less than 1 %."
    )
    assert words.left_out(replace(left, risk_without=0.002)).endswith(
        "the risk of running out stays at less than 1 %, but later it costs more."
    )
    late = Late("shea", 5, 9, 0.4)
    assert words.late(late) == "Shea butter may run out on 6 March, before any order can come; it can be there on 10 March."
    assert words.late(replace(late, runs_out=9)) == (
        "Shea butter may run out on 10 March, and an order may come too late; it is likely to be there on 10 March."
    )
    assert words.late(replace(late, arrives=None)) == "Shea butter may run out on 6 March, and nobody offers it today."
    assert replace(words, some=True).late(replace(late, arrives=None)) == (
        "Shea butter may run out on 6 March, and none of these suppliers offers it today."
    )
    assert words.whole(replace(nothing, late=(late,))) == "Nothing needs to be ordered today. 1 cannot be had in time."
    alone = replace(nothing, late=(late, replace(late, arrives=None)))
    assert words.whole(alone) == "Nobody offers what needs to be ordered. 2 cannot be had in time."


def test_lead_times_that_vary_ask_for_more() -> None:
    need = gamma_need(np.random.default_rng(17), 1.0)
    tub = Offer("tub", "north", "shea", KG // 50, EUR // 5)
    sure = planned([shea(need, Lot(1.0 * KG))], [tub], supplier(lead=7))
    shaky = replace(supplier(), leads=np.array([3, 4, 5, 7, 9, 10, 11]))
    unsure = planned([shea(need, Lot(1.0 * KG))], [tub], shaky)
    assert unsure.orders[0].lines[0].quantity > sure.orders[0].lines[0].quantity


def test_a_later_order_is_planned_together_with_this_one() -> None:
    need = gamma_need(np.random.default_rng(18), 1.0, 60)
    tub = Offer("tub", "north", "shea", KG // 2, 5 * EUR)
    facts = Facts([shea(need, Lot(1.0 * KG))], [tub], {"north": supplier()}, Settings(orders_ahead=1))
    made = make(facts)
    assert [order for _, order in made.groups] == [0, 1]
    got = plan(facts)
    assert sum(line.quantity for order in got.orders for line in order.lines) <= 3 * KG


def test_a_whole_workshop_is_planned_to_proof() -> None:
    facts = workshop(1, 150, 12, 400) if SOAK else workshop(1, 30, 4, 80, 100)
    got = plan(facts)
    assert got.gap <= 1e-3
    assert got.orders
    # what the planner adds to the solver's own time: walking the paths, writing the rows
    assert not SOAK or got.seconds <= 10 * got.solver_seconds
    for order in got.orders:
        terms = facts.suppliers[order.supplier].terms
        assert terms.takes(order.goods)
        assert order.delivery == terms.charge(order.goods)


def test_very_many_packs_are_not_looked_at_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbers of packs of a milligram up to what is needed would fill the memory; those of a kilogram are looked at."""

    def looked_at(*_: object) -> None:
        raise RuntimeError("each number of packs")

    monkeypatch.setattr(model, "Columns", looked_at)
    need = gamma_need(np.random.default_rng(16), 1.0, paths=50)

    def planned(pack: int) -> Plan:
        offers = [Offer("n1", "north", "shea", pack, 10 * pack)]
        return plan(Facts([shea(need)], offers, {"north": supplier()}, Settings(seconds=3)))

    with pytest.raises(RuntimeError, match="each number"):
        planned(KG)
    got = planned(1)
    assert got.orders or not got.proven
