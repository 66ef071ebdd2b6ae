"""Formulas: made, given a next version, shown, and scaled to a batch sheet."""

from decimal import Decimal
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.materials import free_code
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core.making import care
from service.core.units import FULL_PPM, percent_in, percent_out, quantity_in, quantity_out
from service.errors import Conflict, FieldError, FormulaLoop, Invalid, NotFound
from service.shapes.formulas import FormulaIn, FormulaPatch, VersionIn
from service.store import formulas, items
from service.store.items import ItemRow

DEEPEST = 20
SIZES = ("usual_batch", "smallest_batch", "largest_batch")


def create(scope: Scope, body: FormulaIn) -> dict[str, Any]:
    """A new formula in its first version, and its bulk material."""
    free_code(scope, body.code)
    bulk = ItemRow(scope.new_id(), body.code, body.name, "bulk", "g", True, True, body.bulk_shelf_life_days, None, {})
    lines = _lines(scope, body, bulk)
    items.add(scope.connection, scope.workshop.id, bulk)
    _add_version(scope, bulk, 1, body, lines)
    return show(scope, body.code)


def new_version(scope: Scope, code: str, body: VersionIn) -> dict[str, Any]:
    """The next version; older ones stay as they were (law 5)."""
    bulk = papers.item_of(scope, code, "code", "bulk")
    items.lock(scope.connection, scope.workshop.id, [bulk.id])
    lines = _lines(scope, body, bulk)
    last = formulas.latest(scope.connection, scope.workshop.id, bulk.id, None)
    _add_version(scope, bulk, last.version + 1, body, lines)
    items.change(scope.connection, scope.workshop.id, bulk.id, {"shelf_life_days": body.bulk_shelf_life_days})
    return show(scope, code)


def _lines(scope: Scope, body: VersionIn, bulk: ItemRow) -> list[dict[str, Any]]:
    """The lines as stored: shares in ppm that sum to exactly 100 % (law 4)."""
    codes = {line.material for line in body.lines}
    found = items.by_codes(scope.connection, scope.workshop.id, codes)
    if bulk.code in codes:
        raise FormulaLoop(f"formula '{bulk.code}' would contain itself", loop=[bulk.code, bulk.code])
    rows: list[dict[str, Any]] = []
    for n, line in enumerate(body.lines):
        item = found.get(line.material)
        pointer = f"#/lines/{n}/material"
        if item is None or item.kind not in ("ingredient", "bulk"):
            error = FieldError("is not there", pointer=pointer, given=line.material)
            raise NotFound(f"there is no ingredient or bulk '{line.material}'", errors=[error])
        if not item.active:
            raise Conflict(f"'{item.code}' is retired", errors=[FieldError("is retired", pointer=pointer)])
        rest = line.percent == "rest"
        share = 0 if isinstance(line.percent, str) else percent_in(line.percent, f"#/lines/{n}/percent")
        rows.append({"item_id": item.id, "share_ppm": share, "rest": rest, "phase": line.phase})
    _close(rows)
    _no_loop(scope, bulk, [row["item_id"] for row in rows])
    return rows


def _close(rows: list[dict[str, Any]]) -> None:
    total = sum(row["share_ppm"] for row in rows)
    fills = [n for n, row in enumerate(rows) if row["rest"]]
    said = percent_out(total)
    if len(fills) > 1:
        raise Invalid.field(f"#/lines/{fills[1]}/percent", "only one line may be 'rest'", "rest", "one line")
    if fills:
        if total >= FULL_PPM:
            raise Invalid.field("#/lines", f"sum to {said} % before the rest, which leaves nothing", said, "below 100")
        rows[fills[0]]["share_ppm"] = FULL_PPM - total
    elif total != FULL_PPM:
        raise Invalid.field("#/lines", f"sum to {said} %, not to 100 %", said, "exactly 100")


def _no_loop(scope: Scope, bulk: ItemRow, inside: list[int]) -> None:
    """Refuse a formula that would reach itself through the latest versions of its bulk lines."""
    seen: set[int] = set()
    for _ in range(DEEPEST):
        ids = set(inside) - seen
        if bulk.id in ids:
            raise FormulaLoop(f"formula '{bulk.code}' would contain itself through its bulk lines")
        seen |= ids
        versions = formulas.versions(scope.connection, scope.workshop.id, ids) if ids else {}
        last = [rows[-1].id for rows in versions.values() if rows]
        if not last:
            return
        found = formulas.lines_of(scope.connection, scope.workshop.id, last)
        inside = [line.item_id for rows in found.values() for line in rows]
    raise Conflict(f"bulk is nested deeper than {DEEPEST} formulas")


def _add_version(scope: Scope, bulk: ItemRow, number: int, body: VersionIn, lines: list[dict[str, Any]]) -> None:
    sizes = {name: getattr(body, f"{name}_g") for name in SIZES}
    loss = body.process_loss_percent
    values = {
        "id": scope.new_id(),
        "formula_id": bulk.id,
        "version": number,
        **{f"{name}_mg": None if size is None else quantity_in(size, "g", f"#/{name}_g") for name, size in sizes.items()},
        "loss_ppm": percent_in(Decimal(loss), "#/process_loss_percent") if loss else 0,
        "loss_mg": quantity_in(Decimal(body.process_loss_g), "g", "#/process_loss_g"),
        "rest_days": body.rest_days,
        "bulk_shelf_life_days": body.bulk_shelf_life_days,
        "preservation_note": None,
        "made_on": scope.today,
        "created_at": scope.now,
    }
    formulas.add(scope.connection, scope.workshop.id, values, lines)


def edit(scope: Scope, code: str, patch: FormulaPatch) -> dict[str, Any]:
    """Name, active, or why this version keeps without a preservative."""
    bulk = papers.item_of(scope, code, "code", "bulk")
    sent = {name: getattr(patch, name) for name in patch.model_fields_set}
    for name in ("name", "active"):
        if name in sent and sent[name] is None:
            raise Invalid.field(f"#/{name}", "must not be null")
    if "preservation_note" in sent:
        last = formulas.latest(scope.connection, scope.workshop.id, bulk.id, None)
        formulas.note(scope.connection, scope.workshop.id, last.id, sent.pop("preservation_note"))
    if sent:
        items.change(scope.connection, scope.workshop.id, bulk.id, sent)
    return show(scope, code)


def show(scope: Scope, code: str, version: int | None = None) -> dict[str, Any]:
    """A formula in one version (the latest without one)."""
    bulk = papers.item_of(scope, code, "code", "bulk")
    return _shown(scope, [bulk], {bulk.id: version})[0]


def list_(scope: Scope, after: str | None, limit: int) -> tuple[list[dict[str, Any]], str | None]:
    """Formulas by code, each in its latest version."""
    rows = items.page(scope.connection, scope.workshop.id, ("bulk",), after, limit + 1)
    shown = _shown(scope, rows[:limit], {})
    return shown, onward(rows, limit, "code")


def _shown(scope: Scope, bulks: list[ItemRow], wanted: dict[int, int | None]) -> list[dict[str, Any]]:
    if not bulks:
        return []
    versions = formulas.versions(scope.connection, scope.workshop.id, [bulk.id for bulk in bulks])
    chosen = {bulk.id: choose(bulk, versions[bulk.id], wanted.get(bulk.id)) for bulk in bulks}
    lines = formulas.lines_of(scope.connection, scope.workshop.id, [row.id for row in chosen.values()])
    inside = stock.items_of(scope, {line.item_id for rows in lines.values() for line in rows})
    wet = ingredients(scope, lines, inside)
    shown = []
    for bulk in bulks:
        row = chosen[bulk.id]
        shown.append(
            {
                "code": bulk.code,
                "name": bulk.name,
                "active": bulk.active,
                "version": row.version,
                "versions": [one.version for one in versions[bulk.id]],
                **{f"{name}_g": _grams(getattr(row, f"{name}_mg")) for name in SIZES},
                "process_loss_percent": percent_out(row.loss_ppm),
                "process_loss_g": quantity_out(row.loss_mg, "g"),
                "rest_days": row.rest_days,
                "bulk_shelf_life_days": row.bulk_shelf_life_days,
                "lines": [_line(line, inside) for line in lines[row.id]],
                "preservation_note": row.preservation_note,
                "warnings": care.water_flag(wet[row.id], row.preservation_note),
            }
        )
    return shown


def _grams(mg: int | None) -> int | float | None:
    return None if mg is None else quantity_out(mg, "g")


def choose(bulk: ItemRow, versions: list[Row[Any]], number: int | None) -> Row[Any]:
    """The version of this number, or the latest."""
    if number is None:
        return versions[-1]
    for row in versions:
        if row.version == number:
            return row
    error = FieldError("is not there", parameter="version", given=number)
    raise NotFound(f"formula '{bulk.code}' has no version {number}", errors=[error])


def _line(line: Row[Any], inside: dict[int, ItemRow]) -> dict[str, Any]:
    share = percent_out(line.share_ppm)
    return {"material": inside[line.item_id].code, "percent": share, "rest": line.rest, "phase": line.phase}


def ingredients(scope: Scope, lines: dict[int, list[Row[Any]]], known: dict[int, ItemRow]) -> dict[int, list[care.Ingredient]]:
    """The ingredients of versions, bulk opened to any depth (a constant number of queries a level)."""
    opened: dict[int, list[Row[Any]]] = {}
    waiting = {item.id for item in known.values() if item.kind == "bulk"}
    for _ in range(DEEPEST):
        if not waiting:
            break
        versions = formulas.versions(scope.connection, scope.workshop.id, waiting)
        last = {formula: rows[-1].id for formula, rows in versions.items()}
        found = formulas.lines_of(scope.connection, scope.workshop.id, list(last.values()))
        opened |= {formula: found[version] for formula, version in last.items()}
        known |= stock.items_of(scope, {line.item_id for rows in found.values() for line in rows} - known.keys())
        waiting = {line.item_id for rows in found.values() for line in rows if known[line.item_id].kind == "bulk"}
        waiting -= opened.keys()

    def flat(rows: list[Row[Any]]) -> dict[int, care.Ingredient]:
        got: dict[int, care.Ingredient] = {}
        for line in rows:
            item = known[line.item_id]
            if item.kind == "bulk":
                got |= flat(opened.get(item.id, []))
            else:
                functions = frozenset(item.facts.get("function") or [])
                wet = bool(item.facts.get("contains_water"))
                got[item.id] = care.Ingredient(item.name, item.facts.get("inci"), functions, wet)
        return got

    return {version: list(flat(rows).values()) for version, rows in lines.items()}
