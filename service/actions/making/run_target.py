"""What a run is about to make, worked out from the request: batch, needs and outputs. Reads only."""

from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Any

from service.actions.papers import item_of, lot_of
from service.actions.scope import Scope
from service.core.making import scaling
from service.core.units import quantity_in
from service.errors import Conflict, FieldError, Invalid, NotFound
from service.shapes.runs import RunIn
from service.store import formulas, products
from service.store.items import ItemRow

NamedLots = tuple[tuple[int, int | None], ...]  # (lot, most of it or None) in the order they are taken


@dataclass(frozen=True, slots=True)
class Need:
    """A quantity of an item that the run takes, in its smallest unit."""

    item_id: int
    quantity: int
    part: str  # ingredient | packaging | content (a product inside a set) | bulk | addition
    instead_of: int | None = None
    output: int | None = None  # packaging: which output it belongs to


@dataclass(frozen=True, slots=True)
class Output:
    """One lot the run will make: units of a product, or mg of bulk; `grams` carries the mass's cost."""

    item_id: int
    quantity: int
    grams: int
    planned: int
    shelf_life_days: int | None


@dataclass(slots=True)
class Target:
    """Everything a run needs to know before it draws."""

    formula: ItemRow | None = None
    product: ItemRow | None = None
    version: Any = None
    batch_mg: int | None = None
    units: int | None = None
    needs: list[Need] = field(default_factory=list)
    outputs: list[Output] = field(default_factory=list)
    rest_days: int = 0
    bulk_lot: Any = None
    is_set: bool = False
    warnings: list[dict[str, Any]] = field(default_factory=list)


def work_out(scope: Scope, run: RunIn, day: date, version: int | None = None) -> Target:
    """The target of a request made for `day`; `version` (a plan's) wins over the day's."""
    if run.product is not None:
        return _of_product(scope, run, day, version)
    return _of_formula(scope, run, day, version)


def _version(scope: Scope, formula: ItemRow, run: RunIn, day: date, planned: int | None) -> Any:
    wanted = run.version or planned
    if wanted is None:
        return formulas.latest(scope.connection, scope.workshop.id, formula.id, day)
    found = formulas.version(scope.connection, scope.workshop.id, formula.id, wanted)
    if found is None:
        error = FieldError("is not there", pointer="#/version", given=wanted)
        raise NotFound(f"formula '{formula.code}' has no version {wanted}", errors=[error])
    return found


def _product_row(scope: Scope, item: ItemRow) -> Any:
    return products.by_ids(scope.connection, scope.workshop.id, [item.id])[item.id]


def _parts(scope: Scope, ids: list[int]) -> dict[int, list[Any]]:
    return products.parts(scope.connection, scope.workshop.id, ids)


def _of_product(scope: Scope, run: RunIn, day: date, version: int | None) -> Target:
    item = item_of(scope, str(run.product), "#/product", "product")
    row = _product_row(scope, item)
    units = run.units or 0
    made = 0 if run.outcome == "scrapped" else (run.units_made or units)
    target = Target(product=item, units=units)
    if row.formula_id is None:
        return _of_set(scope, run, target, item, made)
    target.outputs.append(Output(item.id, made, made * row.fill_mg, units, item.shelf_life_days))
    formula = _formula_by_id(scope, row.formula_id)
    target.formula = formula
    if run.bulk is not None:
        _take_bulk(scope, target, run.bulk, formula, units * row.fill_mg)
    else:
        target.version = _version(scope, formula, run, day, version)
        loss = target.version
        target.batch_mg = scaling.batch_for_units(units, row.fill_mg, loss.loss_ppm, loss.loss_mg)
        _take_ingredients(scope, target)
    _take_packaging(scope, target)
    return target


def _of_set(scope: Scope, run: RunIn, target: Target, item: ItemRow, made: int) -> Target:
    units = target.units or 0
    target.is_set = True
    for name in ("bulk", "version"):
        if getattr(run, name) is not None:
            raise Invalid.field(f"#/{name}", "goes with what is made of a formula: a set is put together", getattr(run, name))
    for part in _parts(scope, [item.id]).get(item.id, []):
        count = units if part.inside else made
        kind = "content" if part.inside else "packaging"
        target.needs.append(Need(part.item_id, part.quantity * count, kind, output=0))
    target.outputs.append(Output(item.id, made, 0, units, item.shelf_life_days))
    return target


def _formula_by_id(scope: Scope, formula_id: int) -> ItemRow:
    from service.actions.stock import items_of

    return items_of(scope, [formula_id])[formula_id]


def _of_formula(scope: Scope, run: RunIn, day: date, version: int | None) -> Target:
    formula = item_of(scope, str(run.formula), "#/formula", "bulk")
    target = Target(formula=formula)
    filled = _filled(scope, run, formula, target)
    left_over = _grams(run.left_over_g, "#/left_over_g")
    if run.bulk is not None:
        if not filled:
            raise Invalid.field("#/bulk", "a bulk lot is filled into a product: name `product` or `filled`", run.bulk)
        _take_bulk(scope, target, run.bulk, formula, filled + left_over)
    else:
        target.version = _version(scope, formula, run, day, version)
        target.batch_mg = _batch(run, target.version, filled + left_over)
        _take_ingredients(scope, target)
        _keep_bulk(run, target, formula, filled, left_over)
    _take_packaging(scope, target)
    return target


def _grams(value: Decimal | None, pointer: str) -> int:
    return 0 if value is None else quantity_in(value, "g", pointer)


def _filled(scope: Scope, run: RunIn, formula: ItemRow, target: Target) -> int:
    """Add an output for each size filled; answers the grams they hold together."""
    total = 0
    for n, size in enumerate(run.filled):
        item = item_of(scope, size.product, f"#/filled/{n}/product", "product")
        row = _product_row(scope, item)
        if row.formula_id != formula.id:
            raise Invalid.field(f"#/filled/{n}/product", f"is not filled from '{formula.code}'", size.product)
        units = 0 if run.outcome == "scrapped" else size.units
        grams = units * row.fill_mg
        target.outputs.append(Output(item.id, units, grams, size.units, item.shelf_life_days))
        total += size.units * row.fill_mg
    return total


def _batch(run: RunIn, version: Any, yielded: int) -> int:
    if run.batch_g is not None:
        batch = quantity_in(run.batch_g, "g", "#/batch_g")
    elif run.fraction is not None:
        if version.usual_batch_mg is None:
            raise Conflict("this formula has no usual batch to take a fraction of: say `batch_g`")
        batch = int((version.usual_batch_mg * run.fraction).to_integral_value())
    else:
        batch = scaling.batch_for_mass(yielded, version.loss_ppm, version.loss_mg)
    if batch <= 0:
        at = "#/fraction" if run.fraction is not None else "#/batch_g"
        raise Invalid.field(at, "must be more than 0", str(run.fraction or run.batch_g or 0), "more than 0")
    return batch


def _keep_bulk(run: RunIn, target: Target, formula: ItemRow, filled: int, left_over: int) -> None:
    """The bulk lot a batch leaves: what is left over, or all of it when nothing was filled."""
    if run.outcome == "scrapped":
        return
    assert target.batch_mg is not None
    if run.filled:
        if filled + left_over > target.batch_mg:
            target.warnings.append(
                {"type": "more-filled-than-made", "sentence": "More was filled and left over than the batch held."}
            )
        kept = left_over
    elif run.made_g is not None:
        kept = _grams(run.made_g, "#/made_g")
    else:
        version = target.version
        kept = left_over or scaling.made_from(target.batch_mg, version.loss_ppm, version.loss_mg)
    if kept:
        target.outputs.append(Output(formula.id, kept, kept, kept, target.version.bulk_shelf_life_days))


def _take_ingredients(scope: Scope, target: Target) -> None:
    assert target.batch_mg is not None
    target.rest_days = target.version.rest_days
    lines = formulas.lines(scope.connection, scope.workshop.id, target.version.id)
    scaled = scaling.scale(target.batch_mg, [line.share_ppm for line in lines])
    for line, quantity in zip(lines, scaled, strict=True):
        target.needs.append(Need(line.item_id, quantity, "ingredient"))


def _take_bulk(scope: Scope, target: Target, code: str, formula: ItemRow, grams: int) -> None:
    lot = lot_of(scope, code, "#/bulk")
    if lot.item_id != formula.id:
        raise Invalid.field("#/bulk", f"is not a lot of '{formula.code}'", code)
    target.bulk_lot = lot
    target.batch_mg = grams
    target.needs.append(Need(formula.id, grams, "bulk"))


def _take_packaging(scope: Scope, target: Target) -> None:
    """Packaging follows the units made, each size its own."""
    ids = [output.item_id for output in target.outputs]
    parts = _parts(scope, ids)
    for n, output in enumerate(target.outputs):
        for part in parts.get(output.item_id, []):
            if output.quantity:
                target.needs.append(Need(part.item_id, part.quantity * output.quantity, "packaging", output=n))
