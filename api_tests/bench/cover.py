"""The whole cover of 200 products and 150 materials over 26 weeks on 1,000 paths, in a process of its own.

Beside its floor, and for a hundred workshops one after the other beside one.
"""

import json
import subprocess
import sys
import time
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from api_tests.bench.figures import Figure
from api_tests.bench.rig import ROOT

if TYPE_CHECKING:
    from service.core.demand.planning import Books, History

MOST_FLOORS, MOST_MB, MOST_ALONE = 8, 400, 1.1
PRODUCTS, MATERIALS, WEEKS, PATHS, HISTORY = 200, 150, 26, 1_000, 104
TODAY = date(2026, 11, 25).toordinal()


def measure(quick: bool, _: Path) -> list[Figure]:
    """Times the floor (drawing that many uniforms, and the paths times the recipe matrix, once), and peak memory."""
    rounds, workshops = (2, 5) if quick else (7, 100)
    command = [sys.executable, "-m", "api_tests.bench.cover", str(rounds), str(workshops)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout)
    said = f"{1000 * found['took']:.0f} ms; the floor {1000 * found['floor']:.0f} ms (best of {rounds} each, in turn)"
    many = f"{workshops} different workshops {found['many']:.1f} s, one as often between them {found['one']:.1f} s"
    return [
        Figure("cover", "cover / floor", found["took"] / found["floor"], said, most=MOST_FLOORS),
        Figure("cover", f"{workshops} workshops / {workshops} x one", found["many"] / found["one"], many, most=MOST_ALONE),
        Figure("cover", "memory", found["mb"], "MB at the peak of the process that computes", most=MOST_MB),
    ]


def workshop(seed: int) -> "tuple[History, Books]":
    """An invented workshop: two years of weekly sales, ten materials a product, three lots a material."""
    import numpy as np

    from service.core.demand.planning import Books, History, Lot

    dice = np.random.default_rng(seed)
    told = History(TODAY, 0, PRODUCTS, [(product, "retail") for product in range(PRODUCTS)])
    for product in range(PRODUCTS):
        sold = dice.poisson(dice.gamma(1, 6), HISTORY)
        weeks = np.flatnonzero(sold)
        told.at.extend([product] * len(weeks))
        told.day.extend((TODAY - 2 - 7 * (HISTORY - weeks)).tolist())
        told.units.extend(sold[weeks].astype(float).tolist())
    books = Books(MATERIALS, rest=[0] * PRODUCTS, lead=[14] * MATERIALS, level=[0.95] * MATERIALS)
    for product in range(PRODUCTS):
        books.goes += [(product, int(node), float(dice.uniform(1e3, 2e4))) for node in dice.choice(MATERIALS, 10, replace=False)]
        if dice.random() < 0.5:
            books.finished[product] = [Lot(float(dice.integers(5, 100)), int(dice.integers(20, 300)))]
    for node in range(MATERIALS):
        books.lots[node] = [Lot(float(dice.uniform(1e5, 3e6)), int(dice.integers(10, 400))) for _ in range(3)]
    return told, books


def main(rounds: int, workshops: int) -> None:
    """Measure each in turn with what it is compared with; print the best of the rounds, and the seconds of all workshops."""
    import resource

    import numpy as np

    from service.core.cover.cover import cover

    dice, first = np.random.default_rng(1), workshop(1)
    matrix = dice.random((PRODUCTS, MATERIALS))
    took, floor = float("inf"), float("inf")
    for _ in range(rounds):
        began = time.perf_counter()
        assert (dice.random((PATHS, WEEKS, PRODUCTS)) @ matrix).shape == (PATHS, WEEKS, MATERIALS)
        floor = min(floor, time.perf_counter() - began)
        began = time.perf_counter()
        assert len(cover(*first)) == MATERIALS
        took = min(took, time.perf_counter() - began)
    one: list[float] = []
    many: list[float] = []
    for seed in range(workshops):
        for each, spent in ((workshop(2 + seed), many), (first, one)):
            began = time.perf_counter()
            assert len(cover(*each)) == MATERIALS
            spent.append(time.perf_counter() - began)
    mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"took": took, "floor": floor, "one": sum(one), "many": sum(many), "mb": mb}))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
