"""Batch sheets: a formula scaled to a batch, with the lots to take today."""

from decimal import Decimal
from typing import Any, NoReturn

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.formulas import choose, ingredients
from service.actions.scope import Scope
from service.core.making import care, scaling
from service.core.units import percent_out, quantity_out
from service.errors import FieldError, Invalid
from service.store import formulas, products
from service.store.items import ItemRow


def sheet(
    scope: Scope, code: str, *, version: int | None, batch_g: Decimal | None, fraction: Decimal | None,
    product: str | None, units: int | None,
) -> dict[str, Any]:  # fmt: skip
    """The formula scaled to a batch, with the lots to take today."""
    bulk = papers.item_of(scope, code, "code", "bulk")
    row = choose(bulk, formulas.versions(scope.connection, scope.workshop.id, [bulk.id])[bulk.id], version)
    item, batch = _sheet_batch(scope, bulk, row, batch_g, fraction, product, units)
    lines = formulas.lines(scope.connection, scope.workshop.id, row.id)
    inside = stock.items_of(scope, {line.item_id for line in lines})
    scaled = scaling.scale(batch, [line.share_ppm for line in lines])
    left: dict[int, int] = {}
    weighed = []
    for line, quantity in zip(lines, scaled, strict=True):
        share = percent_out(line.share_ppm)
        weighed.append(_sheet_line(scope, inside[line.item_id], quantity, line.phase, share, left))
    wet = ingredients(scope, {row.id: lines}, inside)[row.id]
    return {
        "formula": bulk.code,
        "version": row.version,
        "product": product,
        "units": units,
        "batch_g": quantity_out(batch, "g"),
        "lines": weighed,
        "packaging": _packaging(scope, item, units, left) if item is not None else [],
        "warnings": care.water_flag(wet, row.preservation_note),
        "cautions": care.cautions(wet),
    }


def _sheet_batch(
    scope: Scope, bulk: ItemRow, row: Row[Any], batch_g: Decimal | None, fraction: Decimal | None,
    product: str | None, units: int | None,
) -> tuple[ItemRow | None, int]:  # fmt: skip
    ways = {"batch_g": batch_g, "fraction": fraction, "product": product}
    told = [name for name, given in ways.items() if given is not None]
    if len(told) > 1 or (product is None) != (units is None):
        _wrong("say one of `batch_g`, `fraction`, or `product` with `units`", told[-1] if told else "units")
    if product is not None and units is not None:
        item = papers.item_of(scope, product, "product", "product")
        made = products.by_ids(scope.connection, scope.workshop.id, [item.id])[item.id]
        if made.formula_id != bulk.id:
            _wrong(f"'{product}' is not filled from '{bulk.code}'", "product", product)
        return item, scaling.batch_for_units(units, made.fill_mg, row.loss_ppm, row.loss_mg)
    if batch_g is not None:
        if batch_g * 1000 % 1:
            _wrong("is finer than 1 mg", "batch_g", str(batch_g), "at most 3 decimals")
        batch = int(batch_g * 1000)
    elif row.usual_batch_mg is None:
        said = "this formula has no usual batch: say `batch_g`, or `product` with `units`"
        _wrong(said, "batch_g" if fraction is None else "fraction")
    else:
        batch = int((row.usual_batch_mg * (Decimal(1) if fraction is None else fraction)).to_integral_value())
    if not 0 < batch <= 10**12:
        name = "batch_g" if fraction is None else "fraction"
        _wrong("makes a batch out of range", name, str(ways[name]), "0.001 to 1,000,000,000 g")
    return None, batch


def _wrong(said: str, parameter: str, given: Any = None, allowed: str | None = None) -> NoReturn:
    """A wrong value in a query."""
    raise Invalid(f"{parameter}: {said}", errors=[FieldError(said, parameter=parameter, given=given, allowed=allowed)])


def _sheet_line(
    scope: Scope, item: ItemRow, quantity: int, phase: str | None, share: int | float | None, taken: dict[int, int]
) -> dict[str, Any]:
    lots: list[tuple[str, int]] = []
    short = 0
    if item.stocked:
        lots, short = stock.sheet_lots(scope, item.id, quantity, scope.today, taken.get(item.id, 0))
        taken[item.id] = taken.get(item.id, 0) + quantity
    return {
        "material": item.code,
        "name": item.name,
        "phase": phase,
        "percent": share,
        "quantity": quantity_out(quantity, item.unit),
        "lots": [{"lot": lot, "quantity": quantity_out(got, item.unit)} for lot, got in lots],
        "short": quantity_out(short, item.unit),
    }


def _packaging(scope: Scope, item: ItemRow, units: int | None, taken: dict[int, int]) -> list[dict[str, Any]]:
    parts = products.parts(scope.connection, scope.workshop.id, [item.id])[item.id]
    inside = stock.items_of(scope, {part.item_id for part in parts})
    return [_sheet_line(scope, inside[part.item_id], part.quantity * (units or 0), None, None, taken) for part in parts]
