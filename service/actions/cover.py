"""How long stock lasts: the books read in one snapshot, computed in the child process, said in sentences."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

from service.actions import histories, huge_orders, papers, stock, stockbooks
from service.actions.buying.awaited import Lead
from service.actions.histories import Told
from service.actions.scope import Scope
from service.actions.stockbooks import BOUGHT, Shelves
from service.core.demand import saying
from service.core.demand.planning import WEEKS, CoverOf, Quality
from service.core.said import listed
from service.core.units import quantity_out, said
from service.errors import Invalid, NotFound
from service.shapes.cover import CoverIn
from service.store.items import ItemRow

SIGHT = 7 * WEEKS
FACTS = ("on_hand", "usable", "claimed")
LEAST_LOSS = 0.5  # smallest units
NAMED = 3  # products in a sentence


@dataclass(slots=True)
class Question:
    """What is asked of the child, and what its answer is said with."""

    today: date
    told: Told
    shelves: Shelves
    figures: dict[int, dict[str, Any]]
    extra: list[tuple[int, str, int, float]] = field(default_factory=list)
    only: str | None = None

    @property
    def tasks(self) -> list[tuple[Any, ...]]:
        """The child's tasks, in order."""
        return [("cover", self.told.history, self.shelves.books, self.extra), ("quality", self.told.history)]

    def answer(self, computed: list[Any]) -> dict[str, Any]:
        """Said."""
        return _answer(self, computed)


def ask(scope: Scope, body: CoverIn | None = None, material: str | None = None) -> Question:
    """Read all that the cover follows from."""
    also: set[int] = set()
    if material is not None:
        item = papers.item_of(scope, material, "material", *BOUGHT, "bulk")
        if not (item.stocked and item.active):
            raise NotFound(f"'{material}' is retired or not stocked: it has no cover")
        also = {item.id}
    told = histories.tell(scope)
    shelves = stockbooks.shelve(scope, told, also)
    shown = [item for item in shelves.nodes if material in (None, item.code)]
    figures = {id_: {name: found[name] for name in FACTS} for id_, found in stock.figures(scope, shown).items()}
    question = Question(scope.today, told, shelves, figures, only=material)
    for n, one in enumerate(body.what_if if body is not None else ()):
        item = papers.item_of(scope, one.product, f"#/what_if/{n}/product", "product")
        if one.due_on < scope.today:
            raise Invalid.field(f"#/what_if/{n}/due_on", "is past", str(one.due_on), f"from {scope.today}")
        question.extra.append((told.places[item.id], one.channel, one.due_on.toordinal(), float(one.units)))
    return question


def _answer(question: Question, computed: list[Any]) -> dict[str, Any]:
    (before, after), quality = computed
    now: list[CoverOf] = before if after is None else after
    shown = [at for at, item in enumerate(question.shelves.nodes) if item.id in question.figures]
    told = {"as_of": question.today, "until": question.today + timedelta(days=SIGHT), "how_good": _good(quality)}
    products = {row.id: row for row in question.told.products}
    if question.only is not None:
        only = _material(question, shown[0], now[shown[0]])
        driving = {question.told.products[product].id for product, _ in now[shown[0]].drivers}
        mine = (one for one in question.told.huge if driving & one.over.keys())
        return only | told | {"huge_orders": huge_orders.said_of(mine, products, question.today)}
    ordered = sorted(shown, key=lambda at: _urgency(question, at, now[at]))
    materials = [_material(question, at, now[at]) for at in ordered]
    moved = [_moved(question, at, before[at], now[at]) for at in ordered if after is not None and _differs(before[at], now[at])]
    huge = huge_orders.said_of(question.told.huge, products, question.today)
    sentences = [one["sentence"] for one in (moved if after is not None else materials)]
    sentences = sentences or [_nothing(question, after is not None)]
    new = sorted((question.told.products[place] for place in question.told.history.fresh), key=lambda row: str(row.code))
    if after is None:
        sentences += [*_unordered([row.name for row in new]), *huge_orders.asked(huge)]
    more = {"new_products": [row.code for row in new], "huge_orders": huge}
    return {**told, "sentence": "\n".join(sentences), "materials": materials, "moved": moved, **more}


def _nothing(question: Question, imagined: bool) -> str:
    end = question.today + timedelta(days=SIGHT)
    return f"This moves nothing until {saying.said_day(end, question.today)}." if imagined else "There is no material yet."


def _unordered(names: list[str]) -> list[str]:
    """Of which products nothing but what others sell is known."""
    if not names:
        return []
    more = [f"{len(names) - NAMED} more"] if len(names) > NAMED else []
    they = "is new and not ordered yet: it is" if len(names) == 1 else "are new and not ordered yet: they are"
    return [f"{listed([*names[:NAMED], *more])} {they} expected to sell as the workshop's other products do."]


def _good(quality: Quality | None) -> str:
    return saying.how_good(quality, "the workshop's forecasts")


def _urgency(question: Question, at: int, one: CoverOf) -> tuple[int, int, str]:
    likely = one.runs_out[1]
    by = SIGHT if one.order_by is None else one.order_by
    return by, SIGHT if likely is None else likely, question.shelves.nodes[at].code


def _material(question: Question, at: int, one: CoverOf) -> dict[str, Any]:
    item, books = question.shelves.nodes[at], question.shelves.books
    return {
        "material": item.code,
        "name": item.name,
        "kind": item.kind,
        "unit": item.unit,
        "sentence": _sentence(question, at, one),
        **question.figures[item.id],
        **_on_order(question, item),
        "weekly_need": _rate(one.weekly_need, item.unit),
        "runs_out": _days(question, one.runs_out),
        "with_orders": _days(question, one.with_orders),
        "order_by": _day(question, one.order_by),
        "lead_time_days": books.lead[at],
        "lead_time": _lead_time(question.shelves.buying.leads[item.id], books.level[at]) if item.kind in BOUGHT else None,
        "service_level_percent": round(100 * books.level[at], 4),
        "expiring": [
            {"lot": code, "quantity": _out(loss, item.unit)}
            for code, loss in zip(question.shelves.codes[at], one.expiring, strict=False)
            if loss >= LEAST_LOSS
        ],
        "drivers": [
            {"product": question.told.products[product].code, "percent": round(100 * share, 1)} for product, share in one.drivers
        ],
        "bands": _bands(question, one, item.unit),
    }


def _on_order(question: Question, item: ItemRow) -> dict[str, Any]:
    """What is placed and still to come."""
    ordered = question.shelves.buying.ordered.get(item.id, [])
    arrivals = [
        {"purchase_order": one.order, "line": one.line, "supplier": one.supplier,
         "quantity": quantity_out(one.quantity, item.unit), "expected_on": one.expected_on}
        for one in ordered
    ]  # fmt: skip
    return {"on_order": quantity_out(sum(one.quantity for one in ordered), item.unit), "arrivals": arrivals}


def _lead_time(lead: Lead, level: float) -> dict[str, Any]:
    """Which lead time the day to order by follows from."""
    return {
        "likely_days": lead.time.within(0.5),
        "service_level_days": lead.time.within(level),
        "from": lead.source,
        "supplier": lead.supplier,
        "seen": lead.seen,
        "seen_percent": round(100 * lead.time.seen, 1),
    }


def _sentence(question: Question, at: int, one: CoverOf) -> str:
    item = question.shelves.nodes[at]
    needed = one.weekly_need > 0 or any(day is not None for day in one.runs_out)
    bulk = item.kind == "bulk"
    kept = not bulk or bool(question.shelves.books.lots[at]) or question.figures[item.id]["on_hand"] > 0
    ordered, today = question.shelves.buying.ordered.get(item.id), question.today
    sentence = saying.lasts(item.name, one.runs_out, one.order_by, today, SIGHT, needed, bulk, kept, bool(ordered))
    if not ordered:
        return sentence
    days = listed(list(dict.fromkeys(saying.said_day(coming.expected_on, today) for coming in ordered)))
    much = said(sum(coming.quantity for coming in ordered), item.unit)
    if not needed:
        return f"{sentence} {much} on order, expected {days}."
    return f"{sentence} {saying.awaited(much, days, (one.runs_out[1], one.with_orders[1]), one.order_by, today, SIGHT)}"


def _out(value: float, unit: str) -> int | float:
    return quantity_out(round(value), unit)


def _rate(value: float, unit: str) -> int | float:
    """A mean: pieces too have parts."""
    return round(value / 1000, 3) if unit == "g" else round(value, 2)


def _day(question: Question, day: int | None) -> date | None:
    return None if day is None else question.today + timedelta(days=day)


def _days(question: Question, days: Sequence[int | None]) -> dict[str, date | None]:
    return dict(zip(("early", "likely", "late"), (_day(question, day) for day in days), strict=True))


def _bands(question: Question, one: CoverOf, unit: str) -> list[dict[str, Any]]:
    history = question.told.history
    end = 6 - (history.today - 1 - history.week_start) % 7
    low, middle, high = one.bands
    return [
        {"week_ends": question.today + timedelta(days=end + 7 * n), "low": _out(low[n], unit), "middle": _out(middle[n], unit),
         "high": _out(high[n], unit)}
        for n in range(len(low))
    ]  # fmt: skip


def _without(question: Question, before: CoverOf, after: CoverOf) -> str:
    """What was said before: the likely day where that moves, else the day to order by, else the days it lasts to."""
    today = question.today
    was, by = _day(question, before.with_orders[1]), _day(question, before.order_by)
    if was is not None and before.with_orders[1] != after.with_orders[1]:
        return f"; without this it lasts until about {saying.said_day(was, today)}"
    if by is not None and before.order_by != after.order_by:
        return f"; without this order by {saying.said_day(by, today)}"
    days = before.runs_out if before.runs_out != after.runs_out else before.with_orders
    return f"; without this {saying.stretch(days, today, SIGHT)}"


def _differs(before: CoverOf, after: CoverOf) -> bool:
    return (before.runs_out, before.with_orders, before.order_by) != (after.runs_out, after.with_orders, after.order_by)


def _moved(question: Question, at: int, before: CoverOf, after: CoverOf) -> dict[str, Any]:
    item = question.shelves.nodes[at]
    return {
        "material": item.code,
        "without": _days(question, before.runs_out),
        "with_it": _days(question, after.runs_out),
        "order_by_without": _day(question, before.order_by),
        "order_by_with_it": _day(question, after.order_by),
        "sentence": f"{_sentence(question, at, after).rstrip('.')}{_without(question, before, after)}.",
    }
