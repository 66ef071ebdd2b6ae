"""A plan for 150 materials, 12 suppliers and 400 offers, proven, beside what HiGHS needs for the bare model of the same size.

The bare model knows one need of each material and no paths: whole packs in their price breaks, smallest orders, delivery
charges and thresholds, at the least cost of goods and delivery, to the same gap.
"""

import json
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from api_tests.bench.figures import Figure
from api_tests.bench.rig import ROOT

MOST_RATIO, MOST_GAP = 10, 1e-3
SIZE = (150, 12, 400)
PATHS = 200
SEEDS = (1, 2, 3)


def measure(quick: bool, _: Path) -> list[Figure]:
    """Both in one process of their own, in turn; the worst of a few invented workshops."""
    seeds = SEEDS[:1] if quick else SEEDS
    command = [sys.executable, "-m", "api_tests.bench.purchase", *map(str, seeds)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    runs = json.loads(done.stdout)
    worst = max(runs, key=lambda run: float(run["seconds"] / run["bare"]))
    said = "; ".join(f"{run['seconds']:.1f} s, {run['solver']:.2f} s of it HiGHS, bare {run['bare']:.2f} s" for run in runs)
    gap = max(run["gap"] for run in runs)
    return [
        Figure("purchase", "plan / bare model", worst["seconds"] / worst["bare"], said, most=MOST_RATIO),
        Figure("purchase", "proven gap", gap, f"of cost or money spent; {PATHS} paths", most=MOST_GAP),
    ]


def bare(problem: Any, needs: Any) -> float:
    """Seconds that HiGHS takes for the bare model."""
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    columns, groups = problem.columns, problem.groups
    count, orders = len(columns), len(groups)
    cost = [column.price for column in columns] + [0.0] * count + [group.charge for group in groups]
    cost += [-group.charge for group in groups]
    entries: list[tuple[int, int, float]] = []
    low: list[float] = []

    def row(terms: list[tuple[int, float]], least: float) -> None:
        entries.extend((len(low), at, value) for at, value in terms)
        low.append(least)

    most = [np.ceil(needs[column.item] / column.pack) + column.least for column in columns]
    most = [one if column.most is None else min(one, column.most) for one, column in zip(most, columns, strict=True)]
    for item, need in enumerate(needs):
        row([(at, column.pack) for at, column in enumerate(columns) if column.item == item], need)
    for at, column in enumerate(columns):
        row([(at, -1.0), (count + at, most[at])], 0.0)
        row([(at, 1.0), (count + at, -column.least)], 0.0)
        row([(2 * count + column.group, 1.0), (count + at, -1.0)], 0.0)
    for choice in {column.choice for column in columns}:
        row([(count + at, -1.0) for at, column in enumerate(columns) if column.choice == choice], -1.0)
    for at, group in enumerate(groups):
        goods = [(n, column.price) for n, column in enumerate(columns) if column.group == at]
        placed, free = 2 * count + at, 2 * count + orders + at
        row([*goods, (placed, -group.smallest)], 0.0)
        row([*goods, (free, -(1e9 if group.free_from is None else group.free_from))], 0.0)
        row([(placed, 1.0), (free, -1.0)], 0.0)
    rows, at_, values = zip(*entries, strict=True)
    matrix = csr_array((values, (rows, at_)), shape=(len(low), len(cost)))
    bounds = Bounds(np.zeros(len(cost)), np.array([*most, *[1.0] * (count + 2 * orders)]))
    began = time.perf_counter()
    limits = LinearConstraint(matrix, np.array(low), np.inf)
    got = milp(
        np.array(cost), integrality=np.ones(len(cost)), bounds=bounds, constraints=limits, options={"mip_rel_gap": MOST_GAP}
    )
    took = time.perf_counter() - began
    assert got.status == 0, got.message
    return took


def main(seeds: list[int]) -> None:
    """Plan and bare model of each workshop."""
    import numpy as np

    from api_tests.core.instances import workshop
    from service.core.buying.courses import make
    from service.core.buying.plan import plan

    runs = []
    for seed in seeds:
        facts = workshop(seed, *SIZE, PATHS)
        made = make(facts)
        needs = []
        for one in made.planned:
            begin = one.course.edges[:-1][None, :]
            within = (begin >= one.first[:, None]) & (begin < one.until[:, None])
            needs.append(float(np.quantile((one.nothing.short * within).sum(axis=1), facts.settings.service_level)))
        solver = bare(made.problem, needs)
        began = time.perf_counter()
        got = plan(facts)
        seconds = time.perf_counter() - began
        runs.append({"seconds": seconds, "solver": got.solver_seconds, "bare": solver, "gap": got.gap})
    print(json.dumps(runs))


if __name__ == "__main__":
    main([int(seed) for seed in sys.argv[1:]])
