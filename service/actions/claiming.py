"""From the database to law 14: what open plans and open orders claim."""

from collections.abc import Collection
from dataclasses import replace

from service.actions.scope import Scope
from service.core.making import claims
from service.core.making.claims import Books, Claims, Plan
from service.core.stock import draw
from service.store import catalogue, items, lots, orders, runs


def books(scope: Scope, materials: bool = False) -> Books:
    """Open plans and orders with all that their claims follow from; what there is of `materials` only where it is asked for."""
    plans = runs.open_plans(scope.connection, scope.workshop.id)
    open_ = [one for one in orders.open_orders(scope.connection, scope.workshop.id) if one.wants]
    if not open_:
        return Books(plans, (), scope.today)
    reached = catalogue.reach(scope.connection, scope.workshop.id, {item for order in open_ for item in order.wants})
    wanted = set(reached.products) | set(reached.recipes)
    if materials:
        wanted |= {item for made in reached.products.values() for item, _ in made.packaging}
        wanted |= {item for recipe in reached.recipes.values() for item, _ in recipe.lines}
    shelves: dict[int, list[draw.Shelf]] = {}
    for row in lots.with_stock(scope.connection, scope.workshop.id, sorted(wanted)):
        if row.id != row.item_id:
            shelves.setdefault(row.item_id, []).append(draw.shelf_of(row))
    unstocked = items.unstocked(scope.connection, scope.workshop.id) if materials else frozenset[int]()
    return Books(plans, open_, scope.today, reached, shelves, unstocked)


def all_(scope: Scope) -> Claims:
    """What all open plans and orders claim."""
    return claims.claimed(books(scope))


def beside(scope: Scope, plan: Plan) -> dict[int, int]:
    """What others claim beside a plan that is being made: what it will make serves orders, which claim so much less."""
    there = books(scope)
    found = claims.claimed(replace(there, plans=[*there.plans, plan]))
    return {item: quantity - plan.needs.get(item, 0) for item, quantity in found.of_production.items()}


def but_order(scope: Scope, order: int) -> Claims:
    """What others claim than one order and the runs that would serve it."""
    there = books(scope)
    serving = claims.claimed(there).planned.get(order)
    return claims.claimed(there.without(order, serving.keys() if serving else ()))


def orders_short(scope: Scope, touched: Collection[int] | None, without_run: int | None = None) -> list[claims.Order]:
    """The open orders that are now short of materials (of those `touched`, if given), as the books stand."""
    if not orders.any_open(scope.connection, scope.workshop.id):
        return []
    there = books(scope, materials=True)
    there = replace(there, plans=[plan for plan in there.plans if plan.run_id != without_run])
    return claims.orders_short(there, claims.claimed(there), touched)
