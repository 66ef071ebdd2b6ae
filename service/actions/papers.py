"""What all papers share: when they happened, their codes, their lines, and lots as balances."""

import json
from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

from sqlalchemy import Row

from service.actions.scope import Scope
from service.core.stock import happening
from service.core.stock.draw import FOREVER, last_usable_day
from service.core.stock.movements import Balance
from service.errors import FieldError, Invalid, LotNotThereYet, NotFound
from service.store import items, ledger, lots
from service.store import papers as paper_store
from service.store.items import ItemRow, Locked
from service.store.ledger import Paper

SERIES = {"receipt": "R", "count": "C", "disposal": "D", "reversal": "V", "edit": "E", "correction": "K", "split": "S",
          "shipment": "H", "return": "N"}  # fmt: skip
When = tuple[date, datetime | None]
UNLINKED = {"reverses": None, "corrects": None, "caused_by": None}  # of a paper that stands for itself
CLOCK_SLACK = timedelta(minutes=5)  # a phone's clock may run ahead of ours


def happened(scope: Scope, told: date | datetime | None, pointer: str) -> tuple[date, datetime | None]:
    """The workshop's day a paper happened on, and its time: as told, or the recording's on its own day."""
    if told is None or told == scope.today:
        return scope.today, scope.now
    if isinstance(told, datetime):
        at = (told if told.tzinfo else told.replace(tzinfo=scope.zone)).astimezone(UTC)
        if at > scope.now + CLOCK_SLACK:
            raise Invalid.field(pointer, "must not be in the future", told.isoformat(), f"up to {scope.now.isoformat()}")
        return min(at.astimezone(scope.zone).date(), scope.today), min(at, scope.now)
    if told > scope.today:
        raise Invalid.field(pointer, "must not be in the future", told.isoformat(), f"up to {scope.today}")
    return told, None


def lock(
    scope: Scope, ids: Collection[int], when: When, act: int = happening.CAME, count: int = 0
) -> tuple[dict[int, Locked], When, int]:
    """Lock a paper's items; answers them, when it happened, and its rank.

    A paper that has the time of its recording waited for those before it: if one of them is a little younger, it is moved
    behind it, for it is recorded after it.
    """
    rank = happening.rank(*when, act, count)
    locked = items.lock(scope.connection, scope.workshop.id, ids, rank)
    younger = max((one.before for one in locked.values()), default=0) - rank
    if when[1] is not scope.now or not 0 < younger < happening.A_MINUTE:
        return locked, when, rank
    when = when[0], scope.now + timedelta(microseconds=younger // 4 + 1)
    rank = happening.rank(*when, act, count)
    items.raise_latest(scope.connection, scope.workshop.id, ids, rank)
    return locked, when, rank


def same_day(scope: Scope, locked: Iterable[Locked], when: tuple[date, datetime | None]) -> list[dict[str, Any]]:
    """Where a count of one of its items lies within the same day: on which side of it the paper was put."""
    if not any(one.counted_on == when[0] for one in locked):
        return []
    side = "before a count without a time, as that ends its day" if when[1] is None else f"at {local(scope, when[1])}"
    sentence = f"There is a count on {when[0]}: this was put {side}."
    return [{"type": "count-on-the-same-day", "sentence": sentence, "day": when[0]}]


def facts_of(row: Row[Any]) -> dict[str, Any]:
    """What a document keeps beside its lines."""
    facts: dict[str, Any] = json.loads(row.facts)
    return facts


def reversed_codes(scope: Scope, rows: Iterable[Row[Any]]) -> set[str]:
    """Which of these documents are reversed."""
    of = {row.id: row.code for row in rows}
    return {of[one] for one in paper_store.reversed_among(scope.connection, scope.workshop.id, list(of))}


def told(answer: dict[str, Any], followed: Any) -> dict[str, Any]:
    """An answer with what its paper moved of others (actions/late/late), said in its sentence too."""
    answer["moved"] = followed.moved
    answer["warnings"] = [*answer["warnings"], *followed.warnings]
    if followed.sentence:
        answer["sentence"] = f"{answer['sentence'].rstrip('.')}; {followed.sentence}."
    return answer


def local(scope: Scope, at: datetime | None) -> str | None:
    """A time as the workshop reads it (RFC 3339)."""
    return None if at is None else at.astimezone(scope.zone).isoformat(timespec="seconds")


def code_for(scope: Scope, series: str) -> str:
    """The next readable code of a series, like `L-0412`."""
    return codes_for(scope, series, 1)[0]


def codes_for(scope: Scope, series: str, count: int) -> list[str]:
    """The next readable codes of a series."""
    return [f"{series}-{number:04d}" for number in ledger.next_numbers(scope.connection, scope.workshop.id, series, count)]


def new_paper(scope: Scope, kind: str, when: tuple[date, datetime | None], *, code: str | None = None, **more: Any) -> Paper:
    """A paper of this kind, recorded now by the token that asks."""
    return Paper(
        id=scope.new_id(),
        code=code or code_for(scope, SERIES[kind]),
        kind=kind,
        happened_on=when[0],
        happened_at=when[1],
        recorded_at=scope.now,
        token_id=scope.actor.token_id,
        recorded_by=scope.actor.name,
        **more,
    )


def item_of(scope: Scope, code: str, pointer: str, *kinds: str) -> ItemRow:
    """An item by its code; 404 names the field it stood in."""
    item = items.by_code(scope.connection, scope.workshop.id, code)
    if item is None or (kinds and item.kind not in kinds):
        what = "formula" if kinds == ("bulk",) else " or ".join(kinds) or "item"
        raise NotFound(f"there is no {what} '{code}'", errors=[not_there(pointer, code)])
    return item


def lot_of(scope: Scope, code: str, pointer: str) -> Row[Any]:
    """A lot by its code; 404 names the field it stood in."""
    found = lots.by_codes(scope.connection, scope.workshop.id, [code]).get(code)
    if found is None:
        raise NotFound(f"there is no lot '{code}'", errors=[not_there(pointer, code)])
    return found


def there_since(scope: Scope, lot: Row[Any]) -> date:
    """The first day a lot could be named: the day it came, or was split off."""
    if lot.parent_id is None or lot.document_id is None:
        came: date = lot.received_on
    else:
        came = paper_store.by_ids(scope.connection, scope.workshop.id, [lot.document_id])[lot.document_id].happened_on
    return came


def must_be_there(scope: Scope, lot: Row[Any], day: date) -> None:
    """409 when a lot is named on a day before it came."""
    since = there_since(scope, lot)
    if since > day:
        raise LotNotThereYet(f"lot {lot.code} came on {since}, after {day}", lot=lot.code, came_on=since)


def not_there(pointer: str, given: str) -> FieldError:
    """A code that is not there, in a field of the body (`#/...`) or in the address."""
    if pointer.startswith("#"):
        return FieldError("is not there", pointer=pointer, given=given)
    return FieldError("is not there", parameter=pointer, given=given)


def balance(row: Row[Any] | Mapping[str, Any]) -> Balance:
    """A lot's row as the figures a paper changes."""
    lot = row if not isinstance(row, Mapping) else _Record(row)
    return Balance(
        lot_id=lot.id,
        on_hand=lot.on_hand,
        received=lot.quantity,
        cost=lot.cost_micro,
        worth=lot.cost_left_micro,
        unbooked=lot.id == lot.item_id,
        opened_on=lot.opened_on,
        use_by=lot.use_by,
    )


def open_first(lot: Balance, row: Row[Any], quantity: int, day: date) -> None:
    """The first draw opens a lot that has an opened life."""
    if quantity and row.opened_life_days is not None and lot.opened_on is None:
        lot.opened_on = day
        lot.use_by = last_usable_day(row.expires_on, day, row.opened_life_days)


class _Record:
    """A mapping read by attribute."""

    def __init__(self, values: Mapping[str, Any]) -> None:
        self.__dict__.update(values)

    def __getattr__(self, name: str) -> Any:
        raise AttributeError(name)


def new_lot(scope: Scope, item: ItemRow, paper: Paper, *, code: str, quantity: int, **facts: Any) -> dict[str, Any]:
    """A lot's row before its first movement: it starts empty, and the movement fills it."""
    row: dict[str, Any] = {
        "id": scope.new_id(),
        "item_id": item.id,
        "code": code,
        "document_id": paper.id,
        "parent_id": None,
        "supplier": None,
        "supplier_lot": None,
        "certificate": None,
        "received_on": paper.happened_on,
        "made": False,
        "expires_on": None,
        "expires_assumed": False,
        "retest_on": None,
        "opened_on": None,
        "opened_by_hand": False,
        "arrived": None,
        "opened_life_days": item.opened_life_days,
        "use_by": FOREVER,
        "ready_on": None,
        "status": "released",
        "status_by": None,
        "status_on": None,
        "status_reason": None,
        "place": None,
        "set_apart": False,
        "quantity": quantity,
        "cost_micro": None,
        "estimated": False,
        "on_hand": 0,
        "cost_left_micro": None,
    }
    return row | facts


def record_of(values: Mapping[str, Any]) -> Any:
    """A new lot's values read by attribute, as a row would be."""
    return _Record(values)
