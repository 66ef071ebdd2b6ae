"""What a product is expected to sell, by channel and in all, and how good that has been."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from service.actions import histories, huge_orders, papers
from service.actions.histories import Told
from service.actions.scope import Scope
from service.core.demand import saying
from service.core.demand.planning import Quality, SeriesOutlook
from service.core.making import recipes
from service.store import catalogue
from service.store.items import ItemRow

NAMES = ("p10", "p50", "p80", "p90", "p95", "p99")


@dataclass(slots=True)
class Question:
    """What is asked of the child, and what its answer is said with."""

    today: date
    item: ItemRow
    told: Told
    weeks: int
    through: list[tuple[int, float]]
    huge: list[dict[str, Any]]

    @property
    def tasks(self) -> list[tuple[Any, ...]]:
        """The child's task."""
        return [("forecast", self.told.history, self.told.places[self.item.id], self.weeks, self.through)]

    def answer(self, computed: list[Any]) -> dict[str, Any]:
        """Said."""
        return _answer(self, *computed[0])


def ask(scope: Scope, code: str, weeks: int) -> Question:
    """Read all that the forecast follows from."""
    item = papers.item_of(scope, code, "product", "product")
    told = histories.tell(scope)
    reached = catalogue.reach(scope.connection, scope.workshop.id, list(told.places))
    through = _through(recipes.parts(reached, {}, (), ()).sets, item.id)
    products = {row.id: row for row in told.products}
    huge = huge_orders.said_of((one for one in told.huge if item.id in one.over), products, scope.today)
    return Question(scope.today, item, told, weeks, [(told.places[outer], units) for outer, units in through.items()], huge)


def _through(sets: list[tuple[int, int, float]], product: int) -> dict[int, float]:
    """Units of the product in each set that holds it, through sets in sets."""
    inside: dict[int, float] = {product: 1.0}
    for outer, inner, units in reversed(sets):
        if inner in inside:
            inside[outer] = inside.get(outer, 0.0) + units * inside[inner]
    return {outer: units for outer, units in inside.items() if outer != product}


def _answer(question: Question, found: list[SeriesOutlook], whole: SeriesOutlook | None, all_: Quality | None) -> dict[str, Any]:
    facts, nothing = question.item.facts, f"{question.item.name} has not been ordered, and is like nothing that was."
    codes = question.told.products
    channels = [_channel(question, one) for one in found]
    together = _channel(question, whole) if whole is not None else (channels[0] if channels else None)
    good = saying.how_good(all_, "the workshop's forecasts")
    said = [together["sentence"] if together else nothing]
    if whole is not None:
        said = [f"{said[0]} {good}", *(one["sentence"] for one in channels)]
    return {
        "product": question.item.code,
        "as_of": question.today,
        "sentence": "\n".join([*said, *huge_orders.asked(question.huge)]),
        "how_good": good,
        "sold_from": facts.get("sold_from"),
        "sold_until": facts.get("sold_until"),
        "like": facts.get("like") or [],
        "through_sets": [{"product": codes[place].code, "units": round(units)} for place, units in question.through],
        "huge_orders": question.huge,
        "channels": channels,
        "all": together,
    }


def _channel(question: Question, one: SeriesOutlook) -> dict[str, Any]:
    history_ = question.told.history
    start = question.today - timedelta(days=(history_.today - 1 - history_.week_start) % 7)
    weeks = [
        {"week": n + 1, "begins": start + timedelta(days=7 * n), "weekly": _quantiles(week), "cumulative": _quantiles(whole)}
        for n, (week, whole) in enumerate(zip(one.weekly, one.cumulative, strict=True))
    ]
    good = one.quality
    return {
        "channel": one.channel,
        "weekly_mean": round(one.mean, 2),
        "known_units": round(one.known),
        "borrowed_percent": round(100 * one.borrowed),
        "weeks_of_history": one.weeks_of_history,
        "weeks": weeks,
        "how_good": None if good is None else {
            "spans": good.spans,
            "against_naive": round(good.ratio, 3),
            "inside_percent": round(100 * good.inside, 1),
            "at_or_below_percent": _by_level(round(100 * share, 1) for share in good.at_or_below.values()),
        },
        "sentence": _sentence(question, one),
    }  # fmt: skip


def _quantiles(values: Iterable[float]) -> dict[str, int | float]:
    """Whole units: of paths, which have parts of units, the nearest."""
    return _by_level(round(value) for value in values)


def _by_level(values: Iterable[int | float]) -> dict[str, int | float]:
    return dict(zip(NAMES, values, strict=True))


def _sentence(question: Question, one: SeriesOutlook) -> str:
    month = min(4, len(one.cumulative))
    low, middle, high = (round(one.cumulative[month - 1][at]) for at in (0, 1, 3))
    where = {"all": "in all", "market": "at markets"}.get(one.channel, f"in {one.channel}")
    said = f"{question.item.name} is expected to sell {middle} {where} in {month} weeks, between {low} and {high}"
    if one.borrowed > 0:
        told = question.told
        names = [told.products[at].name for at in told.history.like.get(told.places[question.item.id], ())]
        whose = " and ".join(names) if names else "the workshop's other products"
        said += f"; {round(100 * one.borrowed)} % of this is borrowed from {whose}, as it is new"
    good = f" {saying.how_good(one.quality, 'its forecasts')}" if one.channel != "all" else ""
    return f"{said}.{good}"
