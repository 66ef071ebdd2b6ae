"""Materials: made, changed, shown with their stock."""

from datetime import date, datetime
from decimal import Decimal
from typing import Any

from service.actions import papers, stock
from service.actions.buying import awaited
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.units import quantity_out
from service.errors import CodeTaken, FieldError, Invalid
from service.shapes.materials import MaterialIn, MaterialPatch
from service.store import items
from service.store.items import ItemRow

KINDS = ("ingredient", "packaging", "bulk")
FACTS = ("inci", "function", "contains_water", "density_g_per_ml", "lead_time_days", "service_level_percent", "notes")
COLUMNS = ("name", "stocked", "active", "shelf_life_days", "opened_life_days")
OF_FORMULA = ("stocked", "shelf_life_days", "contains_water")  # of a bulk: its formula and what is in it say them
WATER = {"AQUA", "WATER", "AQUA (WATER)", "AQUA/WATER", "WATER (AQUA)"}


def free_code(scope: Scope, code: str) -> None:
    """One namespace for materials, formulas and products: CodeTaken when something has the code."""
    taken = items.by_code(scope.connection, scope.workshop.id, code)
    if taken is not None:
        said = f"the code '{code}' is taken: it is of another item ({taken.kind})"
        raise CodeTaken(said, errors=[FieldError("is taken", pointer="#/code", given=code)])


def create(scope: Scope, body: MaterialIn) -> dict[str, Any]:
    """A new material; answers it with its (empty) stock."""
    free_code(scope, body.code)
    unit = body.unit or ("g" if body.kind == "ingredient" else "piece")
    if body.kind == "ingredient" and unit != "g":
        raise Invalid.field("#/unit", "does not fit an ingredient: ingredients are weighed", unit, "g")
    facts = {name: _plain(getattr(body, name)) for name in FACTS}
    if body.contains_water is None:
        facts["contains_water"] = _is_water(body.inci)
    item = ItemRow(
        scope.new_id(), body.code, body.name, body.kind, unit, body.stocked, body.active,
        body.shelf_life_days, body.opened_life_days, facts,
    )  # fmt: skip
    items.add(scope.connection, scope.workshop.id, item)
    return show(scope, body.code)


def _plain(value: Any) -> Any:
    return str(value) if isinstance(value, Decimal) else value


def _is_water(inci: str | None) -> bool:
    return inci is not None and inci.strip().upper() in WATER


def edit(scope: Scope, code: str, patch: MaterialPatch) -> dict[str, Any]:
    """Change what was sent."""
    item = papers.item_of(scope, code, "code", *KINDS)
    sent = {name: getattr(patch, name) for name in patch.model_fields_set}
    for name in ("name", "stocked", "active", "function", "contains_water"):
        if name in sent and sent[name] is None:
            raise Invalid.field(f"#/{name}", "must not be null")
    for name in OF_FORMULA if item.kind == "bulk" else ():
        if name in sent:
            raise Invalid.field(f"#/{name}", "is not told of a bulk: it follows from its formula", sent[name])
    if sent.get("stocked", item.stocked) != item.stocked and items.on_paper(scope.connection, scope.workshop.id, item.id):
        raise Invalid.field(
            "#/stocked", "stays as it is once papers name the material", sent["stocked"], str(item.stocked).lower()
        )
    values: dict[str, Any] = {name: sent[name] for name in COLUMNS if name in sent}
    facts = {name: _plain(sent[name]) for name in FACTS if name in sent}
    if facts:
        values["facts"] = {**item.facts, **facts}
    if values:
        items.change(scope.connection, scope.workshop.id, item.id, values)
    return show(scope, code)


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A material with its stock figures and lots."""
    item = papers.item_of(scope, code, "code", *KINDS)
    return _shown(item, stock.figures(scope, [item])[item.id], awaited.on_order(scope, [item.id])[item.id])


def as_of(
    scope: Scope, code: str, kinds: tuple[str, ...], at: date | datetime | None, known_at: date | datetime | None
) -> dict[str, Any]:
    """What the books said of an item at a moment, as known at another; a day is its end."""
    item = papers.item_of(scope, code, "code", *kinds)
    known = None if known_at is None else stock.until(scope, known_at)
    return stock.at(scope, item, at if at is not None else scope.today, known)


def list_(scope: Scope, after: str | None, limit: int) -> tuple[list[dict[str, Any]], str | None]:
    """Materials by code."""
    rows = items.page(scope.connection, scope.workshop.id, KINDS, after, limit + 1)
    figures = stock.figures(scope, rows[:limit])
    ordered = awaited.on_order(scope, [item.id for item in rows[:limit]])
    shown = [_shown(item, figures[item.id], ordered[item.id]) for item in rows[:limit]]
    return shown, onward(rows, limit, "code")


def movements(
    scope: Scope, code: str, kinds: tuple[str, ...], after: str | None, limit: int
) -> tuple[list[dict[str, Any]], str | None]:
    """The ledger of one item, newest first."""
    item = papers.item_of(scope, code, "code", *kinds)
    place = None
    if after is not None:
        document, _, n = after.partition(":")
        if not (document.isdigit() and n.isdigit()):
            raise Invalid("after: is not a place in this list", errors=[FieldError("is wrong", parameter="after")])
        place = (int(document), int(n))
    shown, more = stock.movements(scope, item, place, limit)
    return shown, f"{more[0]}:{more[1]}" if more else None


def _number(text: str | None) -> int | float | None:
    """A decimal kept as text."""
    value = None if text is None else float(text)
    return int(value) if value is not None and value == int(value) else value


def _shown(item: ItemRow, figures: dict[str, Any], on_order: int) -> dict[str, Any]:
    density = item.facts.get("density_g_per_ml")
    return {
        "code": item.code,
        "name": item.name,
        "kind": item.kind,
        "unit": item.unit,
        "stocked": item.stocked,
        "active": item.active,
        "inci": item.facts.get("inci"),
        "function": item.facts.get("function") or [],
        "contains_water": bool(item.facts.get("contains_water")),
        "density_g_per_ml": float(density) if density is not None else None,
        "shelf_life_days": item.shelf_life_days,
        "opened_life_days": item.opened_life_days,
        "lead_time_days": item.facts.get("lead_time_days"),
        "service_level_percent": _number(item.facts.get("service_level_percent")),
        "notes": item.facts.get("notes"),
        "on_order": quantity_out(on_order, item.unit),
        **figures,
    }
