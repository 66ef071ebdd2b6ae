"""How large to make batches: cases worked by hand, and every small case against trying all ways to share units out."""

import random
from collections.abc import Iterator, Sequence

import pytest
from conftest import SOAK

from service.core.making import batch_plan, scaling
from service.core.making.batch_plan import Choice, Demand, Kettle, choose

CASES = 3_000 if SOAK else 300


def sizes(choice: Choice) -> list[int]:
    return [one.batch_mg for one in choice.batches]


def test_one_batch_in_quarters_of_the_usual_one() -> None:
    """24 of 100 g after 2 % and 10 g of loss: 2,459.2 g, so 2,500 g, ten quarters of 1,000 g."""
    found = choose(Kettle(1_000_000, None, None, 20_000, 10_000), (Demand(100_000, 24, 0, 9),))
    assert (sizes(found), found.batches[0].fills, found.batches[0].last, found.proved) == ([2_500_000], (24,), 9, True)


def test_several_sizes_are_filled_from_one_batch() -> None:
    """8 x 60 g and 5 x 30 g are 630 g: one batch of 750 g, where two would be 500 + 250 and one batch more."""
    found = choose(Kettle(1_000_000, None, 1_000_000), (Demand(60_000, 8, 0, 5), Demand(30_000, 5, 0, 9)))
    assert (sizes(found), found.batches[0].fills, found.batches[0].last) == ([750_000], (8, 5), 5)


def test_whole_units_do_not_go_on_in_the_next_batch() -> None:
    """10 x 300 g are 3,000 g, but three go into 1,000 g: 3 x 1,000 g and, for the tenth, 500 g."""
    found = choose(Kettle(1_000_000, None, 1_000_000), (Demand(300_000, 10, 0, 5),))
    assert (sizes(found), found.proved) == ([1_000_000] * 3 + [500_000], True)


def test_the_smallest_batch_moves_the_others() -> None:
    """2,250 g of 250 g each, batches from 1,000 to 2,000 g: 2,000 + 1,000 would leave 750 g; 1,250 + 1,000 nothing."""
    found = choose(Kettle(1_000_000, 1_000_000, 2_000_000), (Demand(250_000, 9, 0, 5),))
    assert (sorted(sizes(found)), found.proved) == ([1_000_000, 1_250_000], True)


def test_bulk_is_poured_in_any_part() -> None:
    """2,250 g by the milligram, batches of 750 or 1,000 g: three of 750 g, where the largest first would come to 2,750 g."""
    found = choose(Kettle(1_000_000, 700_000, 1_000_000), (Demand(1, 1_100_000, 0, 3), Demand(1, 1_150_000, 0, 5)))
    assert (sizes(found), found.proved) == ([750_000] * 3, True)


def test_what_would_be_too_old_is_made_later() -> None:
    apart = choose(Kettle(1_000_000, None, None), (Demand(100_000, 3, 0, 10), Demand(100_000, 3, 11, 30)))
    assert [(one.batch_mg, one.last) for one in apart.batches] == [(500_000, 10), (500_000, 30)]
    together = choose(Kettle(1_000_000, None, None), (Demand(100_000, 3, 0, 10), Demand(100_000, 3, 10, 30)))
    assert [(one.batch_mg, one.last) for one in together.batches] == [(750_000, 10)]


def test_the_most_urgent_are_made_first() -> None:
    found = choose(Kettle(1_000_000, None, 1_000_000), (Demand(100_000, 8, 0, 40), Demand(100_000, 8, 0, 10)))
    assert [(one.fills, one.last) for one in found.batches] == [((2, 8), 10), ((6, 0), 40)]


def test_without_a_usual_batch_it_is_whole_grams() -> None:
    found = choose(Kettle(None, None, None, 20_000), (Demand(33_300, 7, 0, 5),))  # 233.1 g / 0.98 = 237.857... g
    assert sizes(found) == [238_000]
    assert sizes(choose(Kettle(None, 500_000, None), (Demand(33_300, 7, 0, 5),))) == [500_000]
    # no quarter of 1,000 g lies between 600 and 700 g
    assert sizes(choose(Kettle(1_000_000, 600_000, 700_000), (Demand(100_000, 13, 0, 5),))) == [700_000, 600_000]


def test_a_unit_that_no_batch_holds_is_told() -> None:
    found = choose(Kettle(1_000_000, None, 500_000), (Demand(600_000, 1, 0, 5), Demand(100_000, 2, 0, 5)))
    assert (found.too_large, [one.fills for one in found.batches]) == ((0,), [(0, 2)])
    assert choose(Kettle(100_000, None, 100_000, 0, 100_000), (Demand(1, 1, 0, 5),)).too_large == (0,)


def test_nothing_wanted_is_nothing_made() -> None:
    assert choose(Kettle(1_000_000, None, None), ()).batches == ()


def test_a_large_case_ends_soon_and_serves_all() -> None:
    rng = random.Random(5)
    demands = tuple(Demand(rng.choice([30_000, 60_000, 95_000, 250_000]), rng.randint(1, 400), 0, day) for day in range(60))
    found = choose(Kettle(2_000_000, 1_000_000, 7_000_000, 15_000, 40_000), demands)
    holds(Kettle(2_000_000, 1_000_000, 7_000_000, 15_000, 40_000), demands, found)


def holds(kettle: Kettle, demands: Sequence[Demand], found: Choice) -> None:
    """All are served, no batch yields less than it fills or leaves its bounds, and none serves what is not due together."""
    for at, one in enumerate(demands):
        assert sum(batch.fills[at] for batch in found.batches) == (0 if at in found.too_large else one.units)
    for batch in found.batches:
        mine = [one for one, units in zip(demands, batch.fills, strict=True) if units]
        filled = sum(one.fill_mg * units for one, units in zip(demands, batch.fills, strict=True))
        assert scaling.made_from(batch.batch_mg, kettle.loss_ppm, kettle.loss_mg) >= filled > 0
        assert (kettle.smallest_mg or 0) <= batch.batch_mg <= (kettle.largest_mg or batch.batch_mg)
        assert max(one.first for one in mine) <= batch.last == min(one.last for one in mine)


def shared_out(units: Sequence[int]) -> Iterator[list[list[int]]]:
    """Every way to share single units (places of demands) out over batches."""
    if not units:
        yield []
        return
    for others in shared_out(units[1:]):
        yield [[units[0]], *others]
        for at in range(len(others)):
            yield [*others[:at], [units[0], *others[at]], *others[at + 1 :]]


def plain(kettle: Kettle, demands: Sequence[Demand], allowed: Sequence[int]) -> tuple[int, int]:
    """The least (mass, number of batches) of all ways, each batch the smallest of the allowed sizes that serves."""
    single = [at for at, one in enumerate(demands) for _ in range(one.units)]
    least = (10**18, 0)
    for way in shared_out(single):
        total = 0
        for batch in way:
            mine = [demands[at] for at in batch]
            filled = sum(one.fill_mg for one in mine)
            fit = [size for size in allowed if size * (1_000_000 - kettle.loss_ppm) // 1_000_000 - kettle.loss_mg >= filled]
            if not fit or max(one.first for one in mine) > min(one.last for one in mine):
                total = 10**18
                break
            total += min(fit)
        least = min(least, (total, len(way)))
    return least


def instance(rng: random.Random) -> tuple[Kettle, tuple[Demand, ...], list[int]]:
    """Up to seven units in up to three demands; allowed sizes written out (a quarter of 400 is 100)."""
    low = rng.choice([None, 200, 300])
    high = rng.choice([400, 500, 900, 1200])
    kettle = Kettle(400, low, high, rng.choice([0, 30_000]), rng.choice([0, 15]))
    demands, most = [], 7
    for _ in range(rng.randint(1, 3)):
        units = rng.randint(1, min(4, most))
        most -= units
        first = rng.choice([0, 0, 0, 4])
        demands.append(Demand(rng.randint(40, 340), units, first, first + rng.randint(0, 6)))
        if most <= 0:
            break
    return kettle, tuple(demands), [size for size in range(100, high + 1, 100) if size >= (low or 0)]


def test_no_way_to_share_out_makes_less() -> None:
    rng = random.Random(20_270_201)
    more_than_greedy = 0
    for _ in range(CASES):
        kettle, demands, allowed = instance(rng)
        found = choose(kettle, demands)
        holds(kettle, demands, found)
        assert found.proved
        assert (sum(sizes(found)), len(found.batches)) == plain(kettle, demands, allowed), (kettle, demands)
        packing = batch_plan._Packing(kettle.grid, sorted(demands, key=lambda one: (one.last, one.first, -one.fill_mg)))
        greedy = sum(kettle.grid.size(steps) for steps, _ in packing._urgent_first())
        more_than_greedy += greedy > sum(sizes(found))
    assert more_than_greedy > CASES // 50, "the search is needed in some of them"


@pytest.mark.parametrize("low", [None, 350, 380])
def test_in_whole_grams_too_what_is_called_proved_is_least(low: int | None) -> None:
    """Sizes from `low` to 420 g in steps of a gram: too many to try all, so only what meets the bound is called proved."""
    rng = random.Random(low or 1)
    proved = 0
    for _ in range(CASES // 3):
        kettle = Kettle(None, low and low * 1000, 420_000)
        demands = tuple(Demand(rng.randint(40, 200) * 1000, rng.randint(1, 3), 0, rng.randint(0, 6)) for _ in range(2))
        found = choose(kettle, demands)
        holds(kettle, demands, found)
        least = plain(kettle, demands, [1000 * size for size in range(low or 1, 421)])
        assert (sum(sizes(found)), len(found.batches)) >= least
        if found.proved:
            assert (sum(sizes(found)), len(found.batches)) == least, (kettle, demands)
            proved += 1
    assert proved > CASES // 12
