"""From what is wanted to what must be taken: products through packaging, sets and bulk to materials.

Bill-of-material explosion, level by level. Ids are any integers; weighed quantities in mg, counted in pieces.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from service.core.making import scaling


@dataclass(frozen=True, slots=True)
class Recipe:
    """One formula version: shares in ppm, losses, rest."""

    formula: int
    lines: tuple[tuple[int, int], ...]
    loss_ppm: int = 0
    loss_mg: int = 0
    rest_days: int = 0


@dataclass(frozen=True, slots=True)
class Made:
    """A product: filled from a formula, or a set of products."""

    product: int
    formula: int | None = None
    fill_mg: int = 0
    packaging: tuple[tuple[int, int], ...] = ()
    contains: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class Catalogue:
    """All that the wants can reach."""

    recipes: Mapping[int, Recipe]
    products: Mapping[int, Made]

    @cached_property
    def order(self) -> list[int]:
        """Formulas so that each comes before the bulk inside it."""
        return order_of(self.recipes)


@dataclass(frozen=True, slots=True)
class Want:
    """Units of a product, or a batch of a formula in mg."""

    item: int
    quantity: int


@dataclass(slots=True)
class Needs:
    """What the wants come to."""

    materials: Counter[int] = field(default_factory=Counter)
    from_finished: Counter[int] = field(default_factory=Counter)
    from_bulk: Counter[int] = field(default_factory=Counter)
    to_make: Counter[int] = field(default_factory=Counter)  # product -> units
    batches: Counter[int] = field(default_factory=Counter)  # formula -> mg
    first: list[int] = field(default_factory=list)  # formulas whose bulk goes into others, deepest first


def order_of(recipes: Mapping[int, Recipe]) -> list[int]:
    """Formulas so that each comes before the bulk inside it; ValueError on a loop."""
    done: dict[int, bool] = {}
    found: list[int] = []

    def visit(formula: int) -> None:
        if done.get(formula) is False:
            raise ValueError("a formula contains itself")
        if formula in done or formula not in recipes:
            return
        done[formula] = False
        for item, _ in recipes[formula].lines:
            visit(item)
        done[formula] = True
        found.append(formula)

    for formula in recipes:
        visit(formula)
    return found[::-1]


def explode(catalogue: Catalogue, wants: Sequence[Want], finished: Mapping[int, int], bulk: Mapping[int, int]) -> Needs:
    """The needs of all wants together: finished and bulk stock first, wants of one formula one batch."""
    needs = Needs()
    units = Counter[int]()
    mass = Counter[int]()  # bulk to be had, by formula
    whole = Counter[int]()  # batches asked for as such
    for want in wants:
        (units if want.item in catalogue.products else whole)[want.item] += want.quantity
    _products(catalogue, units, finished, needs, mass)
    _formulas(catalogue, mass, whole, bulk, needs)
    return needs


def _products(catalogue: Catalogue, units: Counter[int], finished: Mapping[int, int], needs: Needs, mass: Counter[int]) -> None:
    left = dict(finished)
    while units:
        product, wanted = units.popitem()
        taken = min(left.get(product, 0), wanted)
        if taken:
            left[product] -= taken
            needs.from_finished[product] += taken
        rest = wanted - taken
        if not rest:
            continue
        made = catalogue.products[product]
        needs.to_make[product] += rest
        for item, quantity in made.packaging:
            needs.materials[item] += quantity * rest
        for inner, quantity in made.contains:
            units[inner] += quantity * rest
        if made.formula is not None:
            mass[made.formula] += made.fill_mg * rest


def _formulas(catalogue: Catalogue, mass: Counter[int], whole: Counter[int], bulk: Mapping[int, int], needs: Needs) -> None:
    inside: set[int] = set()  # what batches that are really made take
    for formula in catalogue.order:
        recipe = catalogue.recipes[formula]
        taken = min(bulk.get(formula, 0), mass[formula])
        if taken:
            needs.from_bulk[formula] += taken
        rest = mass[formula] - taken
        batch = whole[formula] + (scaling.batch_for_mass(rest, recipe.loss_ppm, recipe.loss_mg) if rest else 0)
        if not batch:
            continue
        needs.batches[formula] += batch
        if formula in inside and rest:
            needs.first.insert(0, formula)
        scaled = scaling.scale(batch, [share for _, share in recipe.lines])
        for (item, _), quantity in zip(recipe.lines, scaled, strict=True):
            if quantity:
                inside.add(item)
            (mass if item in catalogue.recipes else needs.materials)[item] += quantity
