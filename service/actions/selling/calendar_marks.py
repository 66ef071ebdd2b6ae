"""The calendar: days on which the shop is closed, promotions, market days; what a forecast is told of the days."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from sqlalchemy import Row

from service.actions import papers, stock
from service.actions.paging import onward
from service.actions.scope import Scope
from service.core import said
from service.errors import Invalid, NotFound
from service.shapes.calendar import MarkIn, MarkPatch
from service.store import calendar

SERIES = "M"
LONGEST_DAYS = 366
WORDS = {"closed": "Closed", "promotion": "Promotion", "market_day": "Market"}


def create(scope: Scope, body: MarkIn) -> dict[str, Any]:
    """Mark days, past or to come."""
    until = body.until_on or body.from_on
    _in_order(body.from_on, until)
    product = None if body.product is None else papers.item_of(scope, body.product, "#/product", "product").id
    channel = "market" if body.kind == "market_day" else body.channel
    code = papers.code_for(scope, SERIES)
    values = {
        "id": scope.new_id(), "code": code, "kind": body.kind, "from_on": body.from_on,
        "until_on": until, "item_id": product, "channel": channel, "note": body.note,
    }  # fmt: skip
    calendar.add(scope.connection, scope.workshop.id, values)
    return show(scope, code)


def _in_order(first: date, last: date) -> None:
    if last < first:
        raise Invalid.field("#/until_on", "is before the first day", str(last), f"from {first}")
    if (last - first).days >= LONGEST_DAYS:
        raise Invalid.field("#/until_on", "is too far from the first day", str(last), f"at most {LONGEST_DAYS} days in all")


def edit(scope: Scope, code: str, patch: MarkPatch) -> dict[str, Any]:
    """Change what was sent."""
    row = _found(scope, code, lock=True)
    values: dict[str, Any] = {name: getattr(patch, name) for name in patch.model_fields_set}
    for name in ("from_on", "until_on"):
        if name in values and values[name] is None:
            raise Invalid.field(f"#/{name}", "must not be null")
    _in_order(values.get("from_on", row.from_on), values.get("until_on", row.until_on))
    if "product" in values:
        product = values.pop("product")
        values["item_id"] = None if product is None else papers.item_of(scope, product, "#/product", "product").id
    if row.kind == "market_day" and values.get("channel", "market") != "market":
        raise Invalid.field("#/channel", "does not fit a market day", values["channel"], "market")
    if values:
        calendar.change(scope.connection, scope.workshop.id, row.id, values)
    return show(scope, code)


def remove(scope: Scope, code: str) -> dict[str, Any]:
    """Take a mark away: the days are like others again."""
    calendar.remove(scope.connection, scope.workshop.id, _found(scope, code, lock=True).id)
    return {}


def _found(scope: Scope, code: str, lock: bool = False) -> Row[Any]:
    row = calendar.by_code(scope.connection, scope.workshop.id, code, lock)
    if row is None:
        raise NotFound(f"there is no mark '{code}' on the calendar")
    return row


def show(scope: Scope, code: str) -> dict[str, Any]:
    """A mark."""
    return _shown(scope, [_found(scope, code)])[0]


def list_(scope: Scope, after: int | None, limit: int) -> tuple[list[dict[str, Any]], int | None]:
    """Marks, the newest first."""
    rows = calendar.page(scope.connection, scope.workshop.id, after, limit + 1)
    return _shown(scope, rows[:limit]), onward(rows, limit)


def _shown(scope: Scope, rows: Sequence[Row[Any]]) -> list[dict[str, Any]]:
    items = stock.items_of(scope, {row.item_id for row in rows if row.item_id is not None})
    return [
        {
            "mark": row.code,
            "kind": row.kind,
            "from_on": row.from_on,
            "until_on": row.until_on,
            "product": None if row.item_id is None else items[row.item_id].code,
            "channel": row.channel,
            "note": row.note,
            "sentence": _sentence(scope, row, None if row.item_id is None else items[row.item_id].name),
        }
        for row in rows
    ]


def _sentence(scope: Scope, row: Row[Any], product: str | None) -> str:
    first, last = said.day(row.from_on, scope.today), said.day(row.until_on, scope.today)
    when = f"on {first}" if row.from_on == row.until_on else f"from {first} to {last}"
    what = f" of {product}" if product else ""
    where = f" in {row.channel}" if row.channel and row.kind != "market_day" else ""
    return f"{WORDS[row.kind]}{what}{where} {when}."
