"""Products and sets: made, changed, shown with their stock."""

from collections.abc import Collection, Mapping
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.materials import free_code
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.units import quantity_in, quantity_out
from service.errors import Conflict, FieldError, FormulaLoop, Invalid, NotFound
from service.shapes.products import ProductIn, ProductPatch
from service.store import items, products
from service.store.items import ItemRow

FACTS = ("sold_from", "sold_until", "like")  # what a forecast is told


def create(scope: Scope, body: ProductIn) -> dict[str, Any]:
    """A new product or set; answers it with its (empty) stock."""
    free_code(scope, body.code)
    formula = _active(scope, body.formula, "#/formula", "bulk") if body.formula else None
    fill = quantity_in(body.fill_g, "g", "#/fill_g") if body.fill_g is not None else None
    net = quantity_in(body.net_g, "g", "#/net_g") if body.net_g is not None else fill
    rows = _parts(scope, body)
    item = ItemRow(scope.new_id(), body.code, body.name, "product", "piece", True, body.active, body.shelf_life_days, None,
                   _facts(scope, {name: getattr(body, name) for name in FACTS}, {}))  # fmt: skip
    items.add(scope.connection, scope.workshop.id, item)
    values = {"id": item.id, "formula_id": formula.id if formula else None, "fill_mg": fill, "net_mg": net,
              "case_units": body.case_units}  # fmt: skip
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


def _facts(scope: Scope, told: Mapping[str, Any], had: Mapping[str, Any]) -> dict[str, Any]:
    """What a forecast is told of a product: its season, and the products it is like."""
    facts = {**had, **told}
    if bool(facts.get("sold_from")) != bool(facts.get("sold_until")):
        raise Invalid.field("#/sold_until", "goes with `sold_from`: a season has both, or neither")
    for n, code in enumerate(facts.get("like") or ()):
        papers.item_of(scope, code, f"#/like/{n}", "product")
    return {**facts, "like": list(facts.get("like") or [])}


def cases(scope: Scope, ids: Collection[int]) -> dict[int, tuple[ItemRow, int]]:
    """Those of these products that are sold in cases, with the units of one."""
    made = products.by_ids(scope.connection, scope.workshop.id, ids)
    known = stock.items_of(scope, {id_ for id_, row in made.items() if row.case_units})
    return {id_: (item, made[id_].case_units) for id_, item in known.items()}


def case_warnings(known: Mapping[int, tuple[ItemRow, int]], units: Mapping[int, int]) -> list[dict[str, Any]]:
    """A warning for each product of which these units are not whole cases."""
    return [
        {
            "type": "not-whole-cases",
            "sentence": f"{units[id_]} of {item.name} are not whole cases of {case}.",
            "product": item.code,
            "units": units[id_],
            "case_units": case,
        }
        for id_, (item, case) in known.items()
        if units.get(id_, 0) % case
    ]


def edit(scope: Scope, code: str, patch: ProductPatch) -> dict[str, Any]:
    """Change what was sent."""
    item = papers.item_of(scope, code, "code", "product")
    sent = {name: getattr(patch, name) for name in patch.model_fields_set}
    for name in ("name", "active"):
        if name in sent and sent[name] is None:
            raise Invalid.field(f"#/{name}", "must not be null")
    told = {name: sent.pop(name) for name in FACTS if name in sent}
    if code in (told.get("like") or ()):
        raise Invalid.field("#/like", "is the product itself", code, "other products")
    if told:
        sent["facts"] = _facts(scope, told, item.facts)
    if "case_units" in sent:
        products.change(scope.connection, scope.workshop.id, item.id, {"case_units": sent.pop("case_units")})
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
    return _shown(scope, rows[:limit]), onward(rows, limit, "code")


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
        "case_units": made.case_units,
        "sold_from": item.facts.get("sold_from"),
        "sold_until": item.facts.get("sold_until"),
        "like": item.facts.get("like") or [],
        "active": item.active,
        **figures,
        "batches": figures["lots"],
    }
