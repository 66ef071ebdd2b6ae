"""The whole cover of 200 products and 150 materials over 26 weeks on 1,000 paths, beside its floor, in a process of its own."""

import json
import subprocess
import sys
import time
from datetime import date
from pathlib import Path

from api_tests.bench.figures import Figure
from api_tests.bench.rig import ROOT

MOST_FLOORS, MOST_MB = 8, 400
PRODUCTS, MATERIALS, WEEKS, PATHS, HISTORY = 200, 150, 26, 1_000, 104


def measure(quick: bool, _: Path) -> list[Figure]:
    """Times the floor (drawing that many uniforms, and the paths times the recipe matrix, once), and peak memory."""
    rounds = "2" if quick else "7"
    command = [sys.executable, "-m", "api_tests.bench.cover", rounds]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    found = json.loads(done.stdout)
    said = f"{1000 * found['took']:.0f} ms; the floor {1000 * found['floor']:.0f} ms (best of {rounds} each, in turn)"
    return [
        Figure("cover", "cover / floor", found["took"] / found["floor"], said, most=MOST_FLOORS),
        Figure("cover", "memory", found["mb"], "MB at the peak of the process that computes", most=MOST_MB),
    ]


def main(rounds: int) -> None:
    """Measure both in turn; print the best of each."""
    import resource

    import numpy as np

    from service.core.cover.cover import cover
    from service.core.demand.planning import Books, History, Lot

    dice = np.random.default_rng(1)
    today = date(2026, 11, 25).toordinal()
    told = History(today, 0, PRODUCTS, [(product, "retail") for product in range(PRODUCTS)])
    for product in range(PRODUCTS):
        level = dice.gamma(1, 6)
        for week in range(HISTORY):
            if units := dice.poisson(level):
                told.at.append(product)
                told.day.append(today - 2 - 7 * (HISTORY - week))
                told.units.append(float(units))
    books = Books(MATERIALS, rest=[0] * PRODUCTS, lead=[14] * MATERIALS, level=[0.95] * MATERIALS)
    for product in range(PRODUCTS):
        books.goes += [(product, int(node), float(dice.uniform(1e3, 2e4))) for node in dice.choice(MATERIALS, 10, replace=False)]
        if dice.random() < 0.5:
            books.finished[product] = [Lot(float(dice.integers(5, 100)), int(dice.integers(20, 300)))]
    for node in range(MATERIALS):
        books.lots[node] = [Lot(float(dice.uniform(1e5, 3e6)), int(dice.integers(10, 400))) for _ in range(3)]
    matrix = dice.random((PRODUCTS, MATERIALS))
    took, floor = float("inf"), float("inf")
    for _ in range(rounds):
        began = time.perf_counter()
        assert (dice.random((PATHS, WEEKS, PRODUCTS)) @ matrix).shape == (PATHS, WEEKS, MATERIALS)
        floor = min(floor, time.perf_counter() - began)
        began = time.perf_counter()
        assert len(cover(told, books)) == MATERIALS
        took = min(took, time.perf_counter() - began)
    mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"took": took, "floor": floor, "mb": mb}))


if __name__ == "__main__":
    main(int(sys.argv[1]))
