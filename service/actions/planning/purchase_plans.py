"""Purchase plans: the books and offers read in one snapshot, planned in the child process, kept as answered; and the drafts."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from sqlalchemy import Row

from service.actions import histories, papers, stockbooks
from service.actions.buying import offers, purchase_answers, purchase_orders, taught
from service.actions.buying.offers import Standing
from service.actions.buying.suppliers import supplier_of
from service.actions.once import dumps
from service.actions.paging import onward
from service.actions.planning.plan_answers import Answer, Told
from service.actions.scope import Scope
from service.actions.stockbooks import BOUGHT, Shelves
from service.core.buying import offers as core_offers
from service.core.buying.asked import Asked, Node, Source
from service.core.demand.planning import WEEKS, Books, History
from service.core.said import listed
from service.core.units import FULL_PPM, money_in
from service.errors import Conflict, FieldError, Invalid, NotFound
from service.shapes.purchase_plans import DraftsIn, PurchasePlanIn
from service.store import access, purchase_plans, suppliers

SERIES = "Q"
SIGHT = 7 * WEEKS


@dataclass(slots=True)
class Question:
    """What is asked of the child, and what its answer is kept with."""

    told: Told
    as_of: str | None
    newest: tuple[int, int, int]
    history: History
    books: Books

    @property
    def tasks(self) -> list[tuple[Any, ...]]:
        """The child's task."""
        return [("purchase", self.history, self.books, self.told.asked)]

    def keep(self, scope: Scope, computed: list[Any]) -> dict[str, Any]:
        """Give the plan its code and keep it as it is answered."""
        answer = Answer(self.told).said(computed[0])
        if purchase_plans.newest(scope.connection, scope.workshop.id) != self.newest:
            sentence = f"Something was recorded while this was computed: the plan is as of {self.as_of}."
            answer["warnings"].append({"type": "books-changed", "sentence": sentence})
            answer["sentence"] += f"\n{sentence}"
        code = papers.code_for(scope, SERIES)
        answer = {"code": code, "as_of": self.as_of, "recorded_by": scope.actor.name, **answer}
        values = {"id": scope.new_id(), "code": code, "recorded_at": scope.now, "recorded_by": scope.actor.name}
        purchase_plans.add(scope.connection, scope.workshop.id, {**values, "answer": dumps(answer)})
        return _shown(answer, [])


def ask(scope: Scope, body: PurchasePlanIn, seconds: float) -> Question:
    """Read all that the plan follows from; the solver may take so many seconds."""
    until = None if body.by is None else (body.by - scope.today).days
    if until is not None and not 0 <= until <= SIGHT:
        raise Invalid.field("#/by", "is out of sight", str(body.by), f"from today, {scope.today}, to {SIGHT} days later")
    named = [supplier_of(scope, code, f"#/suppliers/{n}") for n, code in enumerate(body.suppliers or ())]
    for n, row in enumerate(named):
        if not row.active:
            raise Invalid.field(f"#/suppliers/{n}", "is not active", row.code)
    history = histories.tell(scope)
    shelves = stockbooks.shelve(scope, history)
    nodes = _nodes(scope, body, shelves)
    standing = {one.row.code: one for one in offers.standing(scope)}
    mine = {node.code for node in nodes}
    priced = [one.offer for one in standing.values() if one.offer is not None and one.offer.material in mine]
    kept, aside = core_offers.allowed(priced, scope.today, body.suppliers, body.prefer)
    workshop = access.workshop(scope.connection, scope.workshop.id)
    asked = Asked(
        nodes, kept, _sources(scope, [*kept, *(one for some in aside.values() for one in some)], standing), aside,
        workshop.capital_ppm / FULL_PPM, None if body.budget is None else money_in(body.budget, "#/budget"), until, seconds,
        _later(scope, body, nodes),
    )  # fmt: skip
    level = Decimal(workshop.service_level_ppm) / 10_000 if body.service_level is None else body.service_level
    newest = purchase_plans.newest(scope.connection, scope.workshop.id)
    told = Told(body, scope.today, scope.workshop.currency, asked, standing, level)
    return Question(told, papers.local(scope, scope.now), newest, history.history, shelves.books)


def _nodes(scope: Scope, body: PurchasePlanIn, shelves: Shelves) -> list[Node]:
    """The bought materials to plan."""
    wanted = None
    if body.materials is not None:
        named = [papers.item_of(scope, code, f"#/materials/{n}", *BOUGHT) for n, code in enumerate(body.materials)]
        for n, item in enumerate(named):
            if not (item.active and item.stocked):
                raise Invalid.field(f"#/materials/{n}", "is retired or not stocked", item.code)
        wanted = {item.id for item in named}
    found = []
    for at, item in enumerate(shelves.nodes):
        if item.kind in BOUGHT and item.active and (wanted is None or item.id in wanted):
            level = shelves.books.level[at] if body.service_level is None else float(body.service_level) / 100
            own = item.facts.get("lead_time_days")
            coming = tuple(one.supplier for one in shelves.buying.ordered.get(item.id, ()))
            found.append(Node(at, item.code, item.name, item.unit, level, None if own is None else int(own), coming))
    return found


def _sources(scope: Scope, some: Sequence[core_offers.Offer], standing: dict[str, Standing]) -> list[Source]:
    """The suppliers of these offers, with the lead times that deliveries taught."""
    ids = {standing[one.code].row.supplier_id: one.code for one in some}
    rows = suppliers.by_ids(scope.connection, scope.workshop.id, ids)
    times = taught.lead_times(scope, list(rows.values()))
    found = []
    for id_, row in sorted(rows.items(), key=lambda pair: pair[1].code):
        terms, lead = standing[ids[id_]].terms, times[id_].lead
        assert terms is not None, "an offer that has a price has terms"
        found.append(Source(row.code, terms, lead.days, lead.chances, max(row.review_days, 1)))
    return found


def _later(scope: Scope, body: PurchasePlanIn, nodes: Sequence[Node]) -> dict[str, int]:
    """By material the day, counted from today, on which what is offered from a day to come could be there."""
    own = {node.code: node.lead_days for node in nodes}
    rows = [
        row
        for row in suppliers.later_offers(scope.connection, scope.workshop.id, scope.today)
        if row.material in own and (body.suppliers is None or row.supplier in body.suppliers)
    ]
    of = suppliers.by_ids(scope.connection, scope.workshop.id, {row.supplier_id for row in rows})
    times, found = taught.lead_times(scope, list(of.values())), dict[str, int]()
    for row in rows:
        lead = own[row.material]
        days = (row.valid_from - scope.today).days + (times[row.supplier_id].lead.within(0.5) if lead is None else lead)
        found[row.material] = min(days, found.get(row.material, days))
    return found


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A plan as it was answered, and what was drafted from it."""
    row = _plan_of(scope, code)
    return _shown(json.loads(row.answer), json.loads(row.orders))


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Plans, newest first."""
    rows = purchase_plans.page(scope.connection, scope.workshop.id, after, limit + 1)
    shown = [_shown(json.loads(row.answer), json.loads(row.orders)) for row in rows[:limit]]
    return shown, onward(rows, limit)


def create_orders(scope: Scope, code: str, _: DraftsIn) -> dict[str, Any]:
    """Draft the plan's purchase orders, once; prices are those that the offers have now."""
    row = _plan_of(scope, code, lock=True)
    made = json.loads(row.orders)
    if made:
        raise Conflict(f"the orders of purchase plan {code} are drafted already: {', '.join(made)}", purchase_orders=made)
    planned = json.loads(row.answer)["orders"]
    if not planned:
        raise Conflict(f"purchase plan {code} orders nothing")
    _must_hold(scope, code, [line for one in planned for line in one["lines"]])
    note = f"Purchase plan {code}"
    codes = [
        purchase_orders.create_draft(scope, one["supplier"], [(line["offer"], line["packs"]) for line in one["lines"]], note)
        for one in planned
    ]
    purchase_plans.ordered(scope.connection, scope.workshop.id, row.id, codes)
    what = "1 purchase order" if len(codes) == 1 else f"{len(codes)} purchase orders"
    sentence = f"{what} drafted from {code}: {listed(codes)}."
    return {"plan": code, "purchase_orders": [purchase_answers.show(scope, one) for one in codes], "sentence": sentence}


def _must_hold(scope: Scope, code: str, lines: Sequence[dict[str, Any]]) -> None:
    """Refuse what offers do not take any more; what else has changed of them the drafts warn of."""
    offers = suppliers.offers_by_codes(scope.connection, scope.workshop.id, {line["offer"] for line in lines})
    for line in lines:
        least = offers[line["offer"]].least_packs
        if line["packs"] < least:
            now = f"offer {line['offer']} takes {least} packs or more now"
            raise Conflict(f"{now}, and purchase plan {code} has {line['packs']}: plan again", offer=line["offer"])


def _plan_of(scope: Scope, code: str, lock: bool = False) -> Row[Any]:
    row = purchase_plans.by_code(scope.connection, scope.workshop.id, code, lock)
    if row is None:
        raise NotFound(f"there is no purchase plan '{code}'", errors=[FieldError("is not there", given=code)])
    return row


def _shown(answer: dict[str, Any], orders: Sequence[str]) -> dict[str, Any]:
    return answer | {"purchase_orders": list(orders)}
