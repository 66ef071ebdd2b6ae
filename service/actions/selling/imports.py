"""Order history from a shop's export: looked at as a whole, then added in short transactions.

Imported history feeds the forecast: it moves no stock and claims nothing; rows of open orders become open orders. What is
there already (the same reference and line) is left as it is, so that an overlapping file adds nothing twice.
"""

import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date, tzinfo
from itertools import islice
from pathlib import Path
from typing import Any

from service.actions.scope import Scope
from service.actions.selling.import_batch import Added
from service.core.importing import order_csv
from service.core.importing.order_csv import Defaults, Layout, OrderRow, Survey, Unreadable
from service.core.importing.order_values import label
from service.errors import FieldError, Invalid
from service.shapes.imports import OrderImportIn
from service.store import imports

BATCH = 1_500  # lines in one transaction: some 10 ms
MANY = 1_000  # lines after which the database counts its rows anew
GIANT = 5  # an order with more lines than this many batches is cut
OTHERWISE = 50  # references listed that the books hold in another state
SHOWN = 500  # unknown products listed in a refusal
Lines = Callable[[], Iterator[str]]
Gently = Callable[[Iterator[str]], Iterator[str]]


@dataclass(slots=True)
class Import:
    """A file that was looked at: what its rows mean, and what is added as it goes on."""

    body: OrderImportIn
    lines: Lines
    layout: Layout
    rules: Defaults
    seen: Survey
    items: dict[str, int | None] = field(default_factory=dict)  # name in the file -> product, None: skip
    unknown: list[tuple[str, int]] = field(default_factory=list)
    counts: dict[str, dict[int, int]] = field(default_factory=dict)  # of references cut or scattered: rows by product
    orders: int = 0
    added: int = 0
    known: int = 0
    skipped: int = 0
    opened: int = 0
    first: date | None = None
    last: date | None = None
    otherwise: dict[str, None] = field(default_factory=dict)

    def count(self, one: Added) -> None:
        """Add what a batch added, once it is committed."""
        self.orders += len(one.new_orders)
        self.added += len(one.new_lines)
        self.known += one.known
        self.opened += one.opened
        self.skipped += one.skipped
        if one.days:
            self.first = min(one.days) if self.first is None else min(self.first, *one.days)
            self.last = max(one.days) if self.last is None else max(self.last, *one.days)
        self.counts |= one.kept_counts
        for reference in one.otherwise:
            if len(self.otherwise) < OTHERWISE:
                self.otherwise[reference] = None


def as_it_is(lines: Iterator[str]) -> Iterator[str]:
    """Without pauses."""
    return lines


def look(lines: Lines, body: OrderImportIn, zone: tzinfo, today: date, gently: Gently = as_it_is) -> Import:
    """Look at the whole file, without the books; Invalid when it cannot be read."""
    rules = Defaults(body.channel, body.state, body.date_order, body.decimal, zone, today)
    try:
        found = order_csv.layout(next(lines(), ""), {str(name): header for name, header in body.mapping.items()})
        seen = order_csv.survey(gently(lines()), found, rules, gently(lines()))
    except Unreadable as error:
        said = FieldError(str(error), pointer=f"#/mapping/{error.column}" if error.column else "#/csv", allowed=error.allowed)
        raise Invalid(str(error), errors=[said]) from None
    return Import(body, lines, found, rules, seen)


def match(scope: Scope, made: Import) -> None:
    """Find each name's product: as mapped, else by its code, else by its name. Invalid, with all of them, when rows are wrong."""
    rows = imports.product_names(scope.connection, scope.workshop.id)
    by_code = {row.code: row.id for row in rows}
    named = {row.name.casefold(): row.id for row in reversed(rows)}
    mapped: dict[str, int | None] = {}
    for name, code in made.body.products.items():
        if code is not None and code not in by_code:
            where = FieldError("is not there", pointer=f"#/products/{name}", given=code)
            raise Invalid(f"there is no product '{code}'", errors=[where])
        mapped[name.strip().casefold()] = by_code[code] if code is not None else None
    unknown: dict[str, int] = {}
    for name, count in made.seen.products.items():
        plain = name.strip().casefold()
        found = mapped[plain] if plain in mapped else by_code.get(plain, named.get(plain))
        made.items[name] = found
        if found is None and plain not in mapped and label(name, 200) is not None:
            unknown[name.strip()] = unknown.get(name.strip(), 0) + count
    made.unknown = sorted(unknown.items(), key=lambda one: (-one[1], one[0]))
    if not made.body.dry_run:
        _refuse(made)


def _refuse(made: Import) -> None:
    """Nothing is kept of a file with problems unless the caller leaves them out."""
    wrong = made.seen.problem_count if not made.body.skip_problems else 0
    unknown = [] if made.body.skip_unknown else made.unknown
    if not wrong and not unknown:
        return
    errors = [
        FieldError(" ".join(filter(None, (f"row {one.row}:", one.field, one.detail))), _place(one), given=one.given)
        for one in (made.seen.problems if wrong else ())
    ]
    errors += [
        FieldError("is no product of this workshop", pointer="#/products", given=name, allowed="map it, or skip_unknown")
        for name, _ in unknown[:SHOWN]
    ]
    said = [f"{_count(wrong, 'problem')} (row {made.seen.problems[0].row} first)"] if wrong else []
    said += [_count(len(unknown), "unknown product")] if unknown else []
    listed = [{"product": name, "rows": rows} for name, rows in unknown[:SHOWN]]
    raise Invalid(
        f"nothing was imported: {' and '.join(said)}", errors=errors, problem_count=wrong,
        further_problems=_further(made) if wrong else [], unknown_products=listed, mapping=made.layout.mapping,
    )  # fmt: skip


def _place(one: order_csv.Problem) -> str:
    return f"#/csv/{one.row}/{one.field}" if one.field else f"#/csv/{one.row}"


def _further(made: Import) -> list[dict[str, str]]:
    """Problems beyond those listed in full: the rows of each kind."""
    return [
        {"field": name, "detail": detail, "rows": ", ".join(f"{one}" if one == last else f"{one}-{last}" for one, last in rows)}
        for (name, detail), rows in made.seen.further.items()
    ]


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _batches(made: Import, size: int, gently: Gently) -> Iterator[list[OrderRow]]:
    """The rows to be added, a transaction's worth at a time; an order that stands together is not cut unless it is a giant."""
    found = order_csv.rows(gently(made.lines()), made.layout, made.seen, made.rules)
    items = made.items
    batch: list[OrderRow] = []
    while some := list(islice(found, size)):
        for row in some:
            if items[row.product] is None:
                made.skipped += 1
                continue
            if len(batch) >= size and (row.reference != batch[-1].reference or len(batch) >= GIANT * size):
                yield batch
                batch = []
            batch.append(row)
    if batch:
        yield batch
    made.skipped += len(made.seen.wrong_rows)


def run(
    made: Import,
    act: Callable[[Callable[[Scope], Added]], Added],
    step: Callable[[int, int], None] | None = None,
    size: int = BATCH,
    gently: Gently = as_it_is,
) -> None:
    """Add everything, one short transaction after another: `act` runs one; `step` hears how many rows of how many are done."""
    done = 0
    for batch in _batches(made, size, gently):

        def one(scope: Scope, batch: list[OrderRow] = batch) -> Added:
            return Added.of(scope, batch, made.items, made.counts, made.seen.scattered, made.layout.columns, made.body.dry_run)

        made.count(act(one))
        done += len(batch)
        if step is not None:
            step(done, made.seen.rows)
    if step is not None and made.seen.rows:
        step(made.seen.rows, made.seen.rows)  # those that were left out too
    if made.added >= MANY and not made.body.dry_run:
        act(_counted_anew)


def _counted_anew(scope: Scope) -> Added:
    """Nothing more is added; the database learns how much there is now."""
    imports.many_added(scope.connection)
    return Added()


def answer(made: Import) -> dict[str, Any]:
    """What the file holds, and what was added (in a rehearsal: what would be)."""
    seen = made.seen
    return {
        "dry_run": made.body.dry_run,
        "sentence": _sentence(made),
        "rows": seen.rows,
        "orders_added": made.orders,
        "lines_added": made.added,
        "lines_known": made.known,
        "lines_skipped": made.skipped,
        "open_orders_added": made.opened,
        "first_day": made.first,
        "last_day": made.last,
        "mapping": made.layout.mapping,
        "unused_columns": made.layout.unused,
        "problem_count": seen.problem_count,
        "problems": [{"row": one.row, "field": one.field, "detail": one.detail, "given": one.given} for one in seen.problems],
        "further_problems": _further(made),
        "unknown_products": [{"product": name, "rows": rows} for name, rows in made.unknown],
        "otherwise_in_the_books": list(made.otherwise),
    }


def _sentence(made: Import) -> str:
    said = f"{_count(made.added, 'line')} of {_count(made.orders, 'new order')}"
    parts = [f"{said} {'would be added' if made.body.dry_run else 'added'}"]
    parts += [f"{made.known} there already"] if made.known else []
    parts += [f"{made.skipped} skipped"] if made.skipped else []
    parts += [_count(made.seen.problem_count, "problem")] if made.seen.problem_count else []
    parts += [_count(len(made.unknown), "unknown product")] if made.unknown else []
    return f"{', '.join(parts)}."


def held_to(body: OrderImportIn, digest: str) -> OrderImportIn:
    """The request with its file as a digest: what an idempotency key is held to."""
    return body.model_copy(update={"csv": digest})


def lines_of(source: str | bytes | Path) -> Lines:
    """The lines of a text, a body or a file, from the start each time; Unreadable where it is not UTF-8."""

    def lines() -> Iterator[str]:
        if isinstance(source, str):
            yield from io.StringIO(source.removeprefix("\ufeff"), newline="")
            return
        opened = source.open("rb") if isinstance(source, Path) else io.BytesIO(source)
        number = 0
        with io.TextIOWrapper(opened, encoding="utf-8-sig", newline="") as text:
            try:
                for line in text:
                    number += 1
                    yield line
            except UnicodeDecodeError:
                raise Unreadable(f"the file is not UTF-8 text (row {number + 1})", allowed="CSV saved as UTF-8") from None

    return lines
