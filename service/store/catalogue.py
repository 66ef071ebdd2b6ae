"""The part of the catalogue that some items reach, as the core wants it: a few queries a level of nesting."""

from collections.abc import Collection
from typing import Any

from sqlalchemy import Connection, Row

from service.core.making.needs import Catalogue, Made, Recipe
from service.store import formulas, products


def reach(connection: Connection, workshop: int, items: Collection[int]) -> Catalogue:
    """Products and latest recipes reachable from these products and formulas."""
    made: dict[int, Made] = {}
    recipes: dict[int, Recipe] = {}
    wanted, named = set(items), set[int]()  # products, or formulas (at first nobody knows which); formulas
    first, seen = True, set(items)
    while wanted or named:
        rows = products.by_ids(connection, workshop, wanted)
        parts = products.parts(connection, workshop, list(rows))
        for row in rows.values():
            made[row.id] = _made(row, parts[row.id])
        named |= {row.formula_id for row in rows.values() if row.formula_id is not None and row.formula_id not in recipes}
        named |= wanted - rows.keys() if first else set()
        versions = formulas.versions(connection, workshop, named) if named else {}
        last = [found[-1] for found in versions.values() if found]
        lines = formulas.lines_and_kinds(connection, workshop, [row.id for row in last])
        for row in last:
            recipes[row.formula_id] = _recipe(row, lines[row.id])
        wanted = {part.item_id for mine in parts.values() for part in mine if part.inside} - seen
        named = {line.item_id for mine in lines.values() for line in mine if line.kind == "bulk"} - recipes.keys()
        first, seen = False, seen | wanted
    return Catalogue(recipes, made)


def _made(row: Row[Any], parts: list[Row[Any]]) -> Made:
    return Made(
        row.id,
        row.formula_id,
        row.fill_mg or 0,
        tuple((part.item_id, part.quantity) for part in parts if not part.inside),
        tuple((part.item_id, part.quantity) for part in parts if part.inside),
    )


def _recipe(row: Row[Any], lines: list[Row[Any]]) -> Recipe:
    shares = tuple((line.item_id, line.share_ppm) for line in lines)
    return Recipe(row.formula_id, shares, row.loss_ppm, row.loss_mg, row.rest_days)
