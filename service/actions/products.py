"""Products and sets: made, changed, shown with their stock."""

from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.materials import free_code
from service.actions.scope import Scope
from service.core.units import quantity_in, quantity_out
from service.errors import Conflict, FieldError, FormulaLoop, Invalid, NotFound
from service.shapes.products import ProductIn, ProductPatch
from service.store import items, products
from service.store.items import ItemRow


def create(scope: Scope, body: ProductIn) -> dict[str, Any]:
    """A new product or set; answers it with its (empty) stock."""
    free_code(scope, body.code)
    formula = _active(scope, body.formula, "#/formula", "bulk") if body.formula else None
    fill = quantity_in(body.fill_g, "g", "#/fill_g") if body.fill_g is not None else None
    net = quantity_in(body.net_g, "g", "#/net_g") if body.net_g is not None else fill
    rows = _parts(scope, body)
    item = ItemRow(scope.new_id(), body.code, body.name, "product", "piece", True, body.active, body.shelf_life_days, None, {})
    items.add(scope.connection, scope.workshop.id, item)
    values = {"id": item.id, "formula_id": formula.id if formula else None, "fill_mg": fill, "net_mg": net}
    products.add(scope.connection, scope.workshop.id, values, rows)
    return show(scope, body.code)


def _active(scope: Scope, code: str, pointer: str, *kinds: str) -> ItemRow:
    item = papers.item_of(scope, code, pointer, *kinds)
    if not item.active:
        raise Conflict(f"'{code}' is retired", errors=[FieldError("is retired", pointer=pointer, given=code)])
    return item


def _parts(scope: Scope, body: ProductIn) -> list[dict[str, Any]]:
    rows = []
    for n, packed in enumerate(body.packaging):
        item = _active(scope, packed.material, f"#/packaging/{n}/material", "packaging", "ingredient")
        quantity = quantity_in(packed.quantity, item.unit, f"#/packaging/{n}/quantity")
        if not quantity:
            raise Invalid.field(f"#/packaging/{n}/quantity", "must be more than 0", 0, "more than 0")
        rows.append({"item_id": item.id, "quantity": quantity, "inside": False})
    for n, content in enumerate(body.contains):
        if content.product == body.code:
            raise FormulaLoop(f"set '{body.code}' would contain itself")
        item = _active(scope, content.product, f"#/contains/{n}/product", "product")
        rows.append({"item_id": item.id, "quantity": content.quantity, "inside": True})
    doubled = {row["item_id"] for row in rows if sum(other["item_id"] == row["item_id"] for other in rows) > 1}
    if doubled:
        raise Invalid.field("#/packaging", "names an item twice", None, "each item once")
    return rows


def edit(scope: Scope, code: str, patch: ProductPatch) -> dict[str, Any]:
    """Change what was sent."""
    item = papers.item_of(scope, code, "code", "product")
    sent = {name: getattr(patch, name) for name in patch.model_fields_set}
    for name in ("name", "active"):
        if name in sent and sent[name] is None:
            raise Invalid.field(f"#/{name}", "must not be null")
    if sent:
        items.change(scope.connection, scope.workshop.id, item.id, sent)
    return show(scope, code)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A product with its stock and batches."""
    item = items.by_code(scope.connection, scope.workshop.id, code)
    if item is None or item.kind != "product":
        raise NotFound(f"there is no product '{code}'")
    return _shown(scope, [item])[0]


def list_(scope: Scope, after: str | None, limit: int) -> tuple[list[dict[str, Any]], str | None]:
    """Products by code."""
    rows = items.page(scope.connection, scope.workshop.id, ("product",), after, limit + 1)
    return _shown(scope, rows[:limit]), rows[limit - 1].code if len(rows) > limit else None


def _shown(scope: Scope, rows: list[ItemRow]) -> list[dict[str, Any]]:
    ids = [item.id for item in rows]
    made = products.by_ids(scope.connection, scope.workshop.id, ids)
    parts = products.parts(scope.connection, scope.workshop.id, ids)
    named = {part.item_id for found in parts.values() for part in found}
    named |= {row.formula_id for row in made.values() if row.formula_id}
    known = stock.items_of(scope, named)
    figures = stock.figures(scope, rows)
    return [_one(item, made[item.id], parts[item.id], known, figures[item.id]) for item in rows]


def _one(
    item: ItemRow, made: Row[Any], parts: list[Row[Any]], known: dict[int, ItemRow], figures: dict[str, Any]
) -> dict[str, Any]:
    return {
        "code": item.code,
        "name": item.name,
        "formula": known[made.formula_id].code if made.formula_id else None,
        "fill_g": quantity_out(made.fill_mg, "g") if made.fill_mg is not None else None,
        "net_g": quantity_out(made.net_mg, "g") if made.net_mg is not None else None,
        "packaging": [
            {"material": known[part.item_id].code, "quantity": quantity_out(part.quantity, known[part.item_id].unit)}
            for part in parts
            if not part.inside
        ],
        "contains": [{"product": known[part.item_id].code, "quantity": part.quantity} for part in parts if part.inside],
        "shelf_life_days": item.shelf_life_days,
        "active": item.active,
        **figures,
        "batches": figures["lots"],
    }
