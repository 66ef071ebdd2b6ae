"""A workshop with a past: order lines of an open history, and invented formulas for what sold best in it."""

import csv
import gzip
import random
from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from conftest import Bench
from forecasts.past import MONDAY

GRAMS = ("shea", "cocoa-butter", "almond-oil", "olive-oil", "coconut-oil", "jojoba", "beeswax", "candelilla", "kaolin",
         "oat-flour", "honey", "glycerin", "lavender-oil", "orange-oil", "tocopherol", "sea-salt")  # fmt: skip
PACKED = ("tin-small", "tin-large", "jar", "tube", "carton")
EACH = 5  # articles filled from one formula
HEAD = ("series_id", "date", "quantity", "order_id", "customer_id")


@dataclass(frozen=True, slots=True)
class Sold:
    """One line of one order."""

    series: str
    day: date
    units: int
    order: str
    customer: str


def read(files: list[Path], weeks_held_out: int = 0) -> list[Sold]:
    """Every line of the files, moved by whole weeks: the last week that is not held out is the last one before this week."""
    rows = []
    for file in files:
        with gzip.open(file, "rt", encoding="utf-8", newline="") as text:
            found = csv.reader(text)
            assert tuple(next(found)) == HEAD, file.name
            rows += [(row[0], date.fromisoformat(row[1]), int(row[2]), row[3], row[4]) for row in found]
    last = max(day for _, day, *_ in rows)
    gap = MONDAY - timedelta(days=7 * (1 - weeks_held_out)) - (last - timedelta(days=last.weekday()))
    return [Sold(series, day + gap, units, order, customer) for series, day, units, order, customer in rows]


def export(rows: list[Sold], file: Path) -> None:
    """The lines as a shop exports them; orders of 150 units and more came from stockists."""
    size = Counter[str]()
    for row in rows:
        size[row.order] += row.units
    with file.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out)
        writer.writerow((*HEAD, "channel"))
        for row in rows:
            channel = "wholesale" if size[row.order] >= 150 else "retail"
            writer.writerow((row.series, row.day, row.units, row.order, row.customer, channel))


def best(rows: list[Sold], count: int) -> list[str]:
    """The articles that sold most."""
    units = Counter[str]()
    for row in rows:
        units[row.series] += row.units
    return [series for series, _ in units.most_common(count)]


@dataclass(frozen=True, slots=True)
class Recipes:
    """What a unit of each article holds of each material, in grams or pieces, process loss apart."""

    unit: dict[str, dict[str, float]]


def open_workshop(bench: Bench, articles: list[str], seed: int = 3) -> Recipes:
    """Materials, invented formulas, and a product named as each article."""
    dice = random.Random(seed)
    for code in GRAMS:
        bench.post("materials", code=code, name=code.replace("-", " "), shelf_life_days=540)
    for code in PACKED:
        bench.post("materials", code=code, name=code.replace("-", " "), kind="packaging")
    shares: list[dict[str, int]] = []
    formulas = -(-len(articles) // EACH)
    for n in range(formulas):
        some = dice.sample(GRAMS, dice.randint(4, 8))
        parts = {code: dice.randint(3, 9) for code in some[1:]}
        shares.append({**parts, some[0]: 100 - sum(parts.values())})
        lines = [{"material": code, "percent": percent} for code, percent in shares[-1].items()]
        bench.post("formulas", code=f"formula-{n}", name=f"Formula {n}", usual_batch_g=5000, lines=lines)
    made = {}
    for n, article in enumerate(articles):
        formula, fill, packed = n % formulas, dice.choice((15, 30, 50, 100)), dice.choice(PACKED)
        packaging = [{"material": packed, "quantity": 1}]
        bench.post("products", code=f"product-{n}", name=article, formula=f"formula-{formula}", fill_g=fill, packaging=packaging)
        made[article] = {code: percent * fill / 100 for code, percent in shares[formula].items()} | {packed: 1.0}
    return Recipes(made)


def use(rows: list[Sold], recipes: Recipes) -> dict[str, dict[int, float]]:
    """What was really needed of each material on each day, in days from this week's Monday."""
    used: dict[str, dict[int, float]] = {}
    for row in rows:
        for code, each in recipes.unit.get(row.series, {}).items():
            mine = used.setdefault(code, {})
            on = (row.day - MONDAY).days
            mine[on] = mine.get(on, 0.0) + each * row.units
    return used
