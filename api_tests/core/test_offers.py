"""What an order costs, and how long suppliers really take."""

from datetime import date

import numpy as np
import pytest

from service.core.buying.lead_times import MOST, TRUST, learn
from service.core.buying.offers import Break, Offer, Terms, allowed, cheapest_packs, next_best, order_costs, packs_for, price_of

KG, EUR = 1_000_000, 1_000_000
SHEA = Offer("shea-5", "north", "shea", 5 * KG, 60 * EUR, (Break(4, 54 * EUR), Break(10, 48 * EUR)), least_packs=2)
NORTH = Terms("north", 9 * EUR, 250 * EUR, 50 * EUR)


def test_packs_and_breaks() -> None:
    assert SHEA.tiers() == [(2, 3, 60 * EUR), (4, 9, 54 * EUR), (10, None, 48 * EUR)]
    assert [SHEA.pack_price(packs) // EUR for packs in (2, 3, 4, 9, 10, 11)] == [60, 60, 54, 54, 48, 48]
    assert packs_for(SHEA, 1) == 2
    assert packs_for(SHEA, 15 * KG + 1) == 4
    # nine packs cost 486, ten 480
    assert cheapest_packs(SHEA, 45 * KG) == 10
    assert cheapest_packs(SHEA, 40 * KG) == 8
    few = Offer("x", "north", "shea", KG, 5, (Break(3, 4),), least_packs=7)
    assert few.tiers() == [(7, None, 4)]


def test_every_number_of_packs_has_the_price_of_its_tier() -> None:
    for packs in range(2, 30):
        prices = [price for begin, end, price in SHEA.tiers() if begin <= packs and (end is None or packs <= end)]
        assert prices == [SHEA.pack_price(packs)]


def test_delivery_is_charged_shared_and_free_from_a_value_on() -> None:
    oil = Offer("oil", "north", "oil", KG, 10 * EUR)
    goods, delivery, shares = order_costs(NORTH, [(SHEA, 2), (oil, 1)])
    assert (goods, delivery) == (130 * EUR, 9 * EUR)
    assert sum(shares) == delivery
    assert shares[0] == pytest.approx(9 * EUR * 120 / 130, abs=1)
    assert order_costs(NORTH, [(SHEA, 5)])[1] == 0
    assert order_costs(NORTH, []) == (0, 0, [])
    assert NORTH.takes(0)
    assert NORTH.takes(50 * EUR)
    assert not NORTH.takes(50 * EUR - 1)


def test_prices_per_kilogram_and_piece() -> None:
    got = price_of(SHEA, NORTH, "g")
    assert got.goods == 12 * EUR
    assert got.landed == round(12.9 * EUR)  # 120 of goods and 9 of delivery for 10 kg
    assert price_of(SHEA, NORTH, "g", packs=10).goods == round(9.6 * EUR)
    assert price_of(SHEA, NORTH, "g", packs=10).landed == round(9.6 * EUR)
    assert price_of(SHEA, NORTH, "g", order=240 * EUR).landed == round((120 + 4.5) / 10 * EUR)
    tin = Offer("tins", "north", "tin", 100, 35 * EUR)
    # alone it is below the smallest order: it bears its share of the delivery of one
    assert price_of(tin, NORTH, "piece").goods == round(0.35 * EUR)
    assert price_of(tin, NORTH, "piece").landed == round((35 + 9 * 35 / 50) / 100 * EUR)


def test_a_preference_leaves_no_material_without_an_offer() -> None:
    day = date(2026, 3, 1)
    offers = [
        Offer("a", "north", "shea", KG, 10, claims=frozenset({"organic", "fair trade"})),
        Offer("b", "south", "shea", KG, 9),
        Offer("c", "south", "wax", KG, 9),
        Offer("d", "north", "wax", KG, 7, valid_until=date(2026, 2, 28)),
        Offer("e", "west", "wax", KG, 6),
    ]
    kept, aside = allowed(offers, day, ["north", "south"], ["organic"])
    assert [one.code for one in kept] == ["a", "c"]
    assert [one.code for one in allowed(offers, day, ["north", "south"], ["Organic", "FAIR TRADE"])[0]] == ["a", "c"]
    assert {material: [one.code for one in found] for material, found in aside.items()} == {"shea": ["b"]}
    assert [one.code for one in allowed(offers, day)[0]] == ["a", "b", "c", "e"]
    assert "d" in [one.code for one in allowed(offers, date(2026, 2, 28))[0]]


def test_the_next_best_offer_bears_its_delivery() -> None:
    other = Offer("s", "south", "shea", 10 * KG, 105 * EUR)
    terms = {"north": NORTH, "south": Terms("south", 12 * EUR, 200 * EUR)}
    found = next_best(SHEA, 2, [SHEA, other], terms, {"north": 120 * EUR})
    assert found == (other, 1, 117 * EUR)
    # the plan orders there already: nothing more for delivery, less even where it becomes free
    assert next_best(SHEA, 2, [SHEA, other], terms, {"south": 50 * EUR}) == (other, 1, 105 * EUR)
    assert next_best(SHEA, 2, [SHEA], terms, {}) is None


def test_lead_times_are_the_stated_ones_until_others_are_seen() -> None:
    stated = learn(7)
    assert stated.seen == 0
    assert sum(stated.chances) == pytest.approx(1)
    assert stated.within(0.5) == 7
    assert 7 < stated.within(0.95) <= 14
    assert learn(None).within(0.5) == 7
    means = [learn(7, [14.0] * seen).mean for seen in (0, 1, 3, 10, 60)]
    assert means == sorted(means)
    assert means[1] < 10
    assert means[-1] > 13
    assert learn(7, [14.0] * 4).seen == pytest.approx(0.5, abs=0.05)
    assert TRUST == 4


def test_recent_deliveries_weigh_more_and_wild_ones_are_held() -> None:
    slower = learn(7, [5.0] * 20 + [12.0] * 10)
    faster = learn(7, [12.0] * 10 + [5.0] * 20)
    assert slower.mean > faster.mean + 1
    assert max(learn(7, [5000.0]).days) == MOST
    assert min(learn(1, [0.0, 0.2]).days) == 0
    assert learn(None, [3.0, 3.0, 3.0]).within(0.5) == 3


def test_samples_have_the_distributions_own_proportions() -> None:
    known = learn(6, [5.0, 6.0, 6.0, 9.0, 15.0])
    drawn = known.samples(4000, 3)
    for day, chance in zip(known.days, known.chances, strict=True):
        assert (drawn == day).mean() == pytest.approx(chance, abs=1e-3)
    assert (drawn == known.samples(4000, 3)).all()
    assert (drawn != known.samples(4000, 4)).any()
    assert known.samples(1, 0).dtype == np.int64


def test_half_the_truth_is_learnt_from_a_year_of_deliveries() -> None:
    """A supplier that says 5 days and takes 8 to 12: its 90 % is found within a day."""
    rng = np.random.default_rng(6)
    found = [learn(5, rng.integers(8, 13, 24).astype(float)).within(0.9) for _ in range(50)]
    assert abs(np.mean(found) - 12) <= 1
