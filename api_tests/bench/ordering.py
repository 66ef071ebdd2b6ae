"""What the service's ordering would have cost on open order histories, week by week, beside two textbook rules.

The histories are those of the tests' own data and every weekly file of the folder STILLROOM_BENCH_DATA. Nothing is tuned on the
weeks replayed: how many orders are planned together is chosen by a replay of the weeks before them.
"""

import json
import os
from dataclasses import replace
from pathlib import Path

from api_tests.bench import maker
from api_tests.bench.figures import Figure
from api_tests.bench.ordering_rules import LEAD, WINDOWS, Planner, Replayed, min_max, order_up_to, replay
from api_tests.bench.rig import ROOT
from api_tests.bench.weekly_files import Weekly, folder_of

LEAST_BETTER = 0.88  # of the order-up-to rule's cost
PATHS = 100
ASKED = (0.8, 0.9, 0.95)  # service levels
WITHIN = 0.02


def measure(quick: bool, _: Path) -> list[Figure]:
    """Replays every history; keeps all of it in var/bench/ordering.json."""
    kept: dict[str, object] = {}
    figures: list[Figure] = []
    for history in histories(quick):
        kept[history.name], found = on_one(history)
        figures += found
    kept["maker's setting"], found = maker.measured(quick, histories(True)[0])
    path = ROOT / "var" / "bench" / "ordering.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(kept, indent=1) + "\n")
    return figures + found


def histories(quick: bool) -> list[Weekly]:
    """The slices in the tests' own data, and the folder's."""
    found = [replace(one, name=f"slice: {one.name}") for one in folder_of(ROOT / "api_tests" / "data")]
    given = os.environ.get("STILLROOM_BENCH_DATA")
    return found if quick or not given else found + folder_of(Path(given))


def on_one(history: Weekly) -> tuple[dict[str, object], list[Figure]]:
    """Every rule on one history."""

    def run(rule: object) -> Replayed:
        return replay(history, rule, history.first, history.stock, history.counted)  # type: ignore[arg-type]

    planner = Planner.chosen(history, PATHS)
    planned = run(planner)
    windows = {window: run(order_up_to(history, window)) for window in WINDOWS}
    best = min(windows, key=lambda window: windows[window].total)
    rules = {"planner": planned, "order-up-to": windows[best], "min-max": run(min_max(history))}
    served = {level: obtained(planner, history, level) for level in ASKED}
    answer = {
        "series": len(history.y),
        "orders planned together": planner.together,
        "weeks counted": history.y.shape[1] - history.counted,
        **{name: shown(one) for name, one in rules.items()},
        "order-up-to, weeks looked back": {str(window): shown(one) for window, one in windows.items()},
        "service level": {str(level): pair for level, pair in served.items()},
    }
    figures = []
    for name, most in (("order-up-to", LEAST_BETTER), ("min-max", 1.0)):
        said = f"{planned.total:.0f} (kept {planned.holding:.0f}, lost {planned.lost:.0f}) beside {rules[name].total:.0f}"
        figures.append(Figure("ordering", f"{history.name}: cost / {name}", planned.total / rules[name].total, said, most=most))
    off = max(max(below - level, level - at, 0.0) for level, (below, at) in served.items())
    words = "; ".join(f"{level:g}: {below:.3f} to {at:.3f}" for level, (below, at) in served.items())
    figures.append(Figure("ordering", f"{history.name}: service level off by", off, words, most=WITHIN))
    return answer, figures


def shown(one: Replayed) -> dict[str, float]:
    return {"total": one.total, "holding": one.holding, "lost": one.lost, "fill_rate": one.fill_rate}


def obtained(planner: Planner, history: Weekly, level: float) -> tuple[float, float]:
    """Of the weeks that an order was placed for, the share in which less than what was there was asked for, and not more.

    Counts have ties: the level asked for must lie between the two, give or take the tolerance.
    """
    got = replay(history, planner.at_level(level), history.first, history.stock, max(history.counted, history.first + LEAD))
    ordered = got.came > 0
    return float((got.asked < got.there)[ordered].mean()), float((got.asked <= got.there)[ordered].mean())
