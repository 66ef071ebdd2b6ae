"""What one unit of a product takes of each material, as floats, for the paths of a forecast. No numpy here.

Process loss: a batch gives batch x (1 - share) - fixed; the fixed part is spread over the batch that a formula is made in.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from service.core.making.needs import Catalogue

PPM = 1_000_000


@dataclass(slots=True)
class Parts:
    """Units of products in their nodes: `goes` (product, node) and `bulk` (bulk kept apart, node), and sets, outer ones first."""

    goes: dict[int, dict[int, float]] = field(default_factory=dict)
    bulk: dict[int, dict[int, float]] = field(default_factory=dict)
    sets: list[tuple[int, int, float]] = field(default_factory=list)
    rest: dict[int, int] = field(default_factory=dict)


def parts(catalogue: Catalogue, batches: Mapping[int, int | None], apart: Collection[int], unstocked: Collection[int]) -> Parts:
    """Every product through packaging and formulas; bulk of which there is stock (`apart`) stays bulk, and comes apart itself."""
    a_mg: dict[int, dict[int, float]] = {}
    found = Parts()
    for formula in reversed(catalogue.order):
        recipe = catalogue.recipes[formula]
        factor = batch_per_mg(batches.get(formula), recipe.loss_ppm, recipe.loss_mg)
        mine: dict[int, float] = {}
        for item, share in recipe.lines:
            if item in unstocked:
                continue
            each = factor * share / PPM
            inner = {item: 1.0} if item in apart or item not in catalogue.recipes else a_mg[item]
            for node, part in inner.items():
                mine[node] = mine.get(node, 0.0) + each * part
        a_mg[formula] = mine
    found.bulk = {formula: a_mg[formula] for formula in catalogue.order if formula in apart}
    for product, made in catalogue.products.items():
        mine = {item: float(quantity) for item, quantity in made.packaging if item not in unstocked}
        if made.formula is not None:
            inner = {made.formula: 1.0} if made.formula in apart else a_mg.get(made.formula, {})
            for node, part in inner.items():
                mine[node] = mine.get(node, 0.0) + made.fill_mg * part
            found.rest[product] = catalogue.recipes[made.formula].rest_days if made.formula in catalogue.recipes else 0
        found.goes[product] = mine
    found.sets = _sets(catalogue)
    return found


def batch_per_mg(batch: int | None, loss_ppm: int, loss_mg: int) -> float:
    """Grams to be made for a gram that is filled; of what nobody makes or sells the fixed loss is left out."""
    share = 1 - loss_ppm / PPM
    filled = batch * share - loss_mg if batch else 0.0
    return batch / filled if batch and filled > 0 else 1 / share


def _sets(catalogue: Catalogue) -> list[tuple[int, int, float]]:
    """What sets hold, so that every set comes before the sets inside it."""
    order: list[int] = []
    seen: set[int] = set()

    def visit(product: int) -> None:
        if product in seen or product not in catalogue.products:
            return
        seen.add(product)
        for inner, _ in catalogue.products[product].contains:
            visit(inner)
        order.append(product)

    for product in catalogue.products:
        visit(product)
    return [
        (product, inner, float(units)) for product in reversed(order) for inner, units in catalogue.products[product].contains
    ]
