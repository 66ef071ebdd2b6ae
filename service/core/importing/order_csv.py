"""Orders in the CSV that shops export: which column is what, and every row as plain values.

A file is looked at once before anything is kept (`survey`): only the whole file shows whether 03/04/2026 is in April.
Then it is read row by row (`rows`), a slice at a time, in memory that does not grow with the number of lines.
Rows are numbered as a spreadsheet shows them: the header is row 1.
"""

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, tzinfo
from typing import NamedTuple

from service.core.importing import order_values
from service.core.importing.order_columns import FIELDS, Layout, Unreadable, layout
from service.core.importing.order_values import CHANNELS, STATES, Marks, Wrong

__all__ = ["Defaults", "Layout", "OrderRow", "Problem", "Survey", "Unreadable", "layout", "rows", "survey"]
LONGEST = {"reference": 64, "customer": 120, "product": 200}
MOST_ROWS = 1_000_000
MOST_LISTED = 1_000  # problems listed in full; of further ones the rows of each kind


@dataclass(frozen=True, slots=True)
class Problem:
    """One row that cannot be taken, and why."""

    row: int
    field: str
    detail: str
    given: str


@dataclass(frozen=True, slots=True)
class Defaults:
    """What holds for rows that do not say it, and the zone in which a time with an offset has its day."""

    channel: str = "retail"
    state: str = "shipped"
    date_order: str | None = None  # dmy, mdy or ymd, where the file alone does not show it
    decimal: str | None = None  # "," or "."
    zone: tzinfo | None = None
    today: date = date.max


@dataclass(slots=True)
class Survey:
    """What the whole file shows: every distinct value as its meaning, the products it names, all problems."""

    rows: int = 0
    days: dict[str, date] = field(default_factory=dict)
    units: dict[str, int] = field(default_factory=dict)
    prices: dict[str, int] = field(default_factory=dict)
    channels: dict[str, str] = field(default_factory=dict)
    states: dict[str, str] = field(default_factory=dict)
    lines: dict[str, int] = field(default_factory=dict)
    products: dict[str, int] = field(default_factory=dict)  # name as given -> rows
    problems: list[Problem] = field(default_factory=list)
    problem_count: int = 0
    further: dict[tuple[str, str], list[tuple[int, int]]] = field(default_factory=dict)  # field, detail -> rows, first to last
    wrong_rows: set[int] = field(default_factory=set)
    scattered: set[str] = field(default_factory=set)  # references whose rows do not stand together


class OrderRow(NamedTuple):
    """One row as plain values; `line` None: the file numbers none."""

    reference: str
    line: int | None
    placed_on: date
    due_on: date | None
    channel: str
    customer: str | None
    state: str
    product: str
    units: int
    price: int | None  # millionths


def _records(lines: Iterable[str], found: Layout) -> Iterator[tuple[int, list[str]]]:
    """The rows after the header with their numbers; empty ones are passed over."""
    reader = csv.reader(lines, delimiter=found.delimiter)
    next(reader, None)
    number = 1
    try:
        for record in reader:
            number += 1
            if record and (len(record) > 1 or record[0].strip()):
                if number > MOST_ROWS:
                    raise Unreadable(f"the file has more than {MOST_ROWS} rows", allowed="several smaller files")
                yield number, record
    except csv.Error as error:
        raise Unreadable(f"row {number + 1} cannot be read: {error}") from None


def survey(lines: Iterable[str], found: Layout, rules: Defaults, again: Iterable[str] | None = None) -> Survey:
    """Look at the whole file; `again` are its lines once more, read only to number what is wrong."""
    seen, short = Survey(), False
    width = max(found.columns.values())
    values: dict[str, dict[str, None]] = {name: {} for name in found.columns}
    columns = [(values[name], at) for name, at in found.columns.items() if name not in ("product", "reference")]
    reference, product, products = found.columns.get("reference"), found.columns["product"], seen.products
    blank = False
    met: set[str] = set()
    last = None
    for _, record in _records(lines, found):
        seen.rows += 1
        if len(record) <= width:
            short = True
            continue
        for known, at in columns:
            known[record[at]] = None
        name = record[product]
        products[name] = products.get(name, 0) + 1
        if reference is not None and record[reference] != last:
            last = record[reference]
            name = last.strip()
            (seen.scattered if name in met else met).add(name)
            blank |= order_values.label(name, LONGEST["reference"]) is None
    marks = Marks.of(values, rules.date_order, rules.decimal, found.delimiter)
    bad = _understand(seen, values, rules, marks)
    if (short or blank or bad or _unfit(seen, values)) and again is not None:
        _number(seen, again, found, rules, marks, width)
    return seen


def _unfit(seen: Survey, values: Mapping[str, Mapping[str, None]]) -> bool:
    labels = list(values.get("customer", ()))
    return any(order_values.label(name, LONGEST["product"]) is None for name in seen.products) or any(
        name.strip() and order_values.label(name, LONGEST["customer"]) is None for name in labels
    )


def _understand(seen: Survey, values: Mapping[str, Mapping[str, None]], rules: Defaults, marks: Marks) -> bool:
    """Give every distinct value its meaning; answers whether any has none."""
    bad = False
    for name, meaning in _meanings(seen).items():
        for text in values.get(name, ()):
            try:
                value = _value(name, text, rules, marks)
            except Wrong:
                bad = True
                continue
            if value is not None:
                meaning[text] = value
    return bad


def _meanings(seen: Survey) -> dict[str, dict[str, object]]:
    found = {
        "placed_on": seen.days, "due_on": seen.days, "units": seen.units, "unit_price": seen.prices,
        "channel": seen.channels, "state": seen.states, "line": seen.lines,
    }  # fmt: skip
    return found  # type: ignore[return-value]


def _value(name: str, text: str, rules: Defaults, marks: Marks) -> object:
    """One value's meaning, None where it may be empty and is; Wrong says what is wrong with it."""
    text = text.strip()
    if name in ("placed_on", "due_on"):
        if not text and name == "due_on":
            return None
        day = order_values.day(text, marks.date_order, rules.zone)
        if name == "placed_on" and day > rules.today:
            raise Wrong("must not be in the future")
        return day
    if name == "units":
        return order_values.units(text, marks)
    if not text:
        return None
    if name == "unit_price":
        return order_values.money(text, marks)
    if name == "line":
        return order_values.line_number(text)
    return order_values.word(text, CHANNELS if name == "channel" else STATES)


def _number(seen: Survey, lines: Iterable[str], found: Layout, rules: Defaults, marks: Marks, width: int) -> None:
    """Go through the rows once more, and note each that is wrong, with all that is wrong with it."""
    for number, record in _records(lines, found):
        if len(record) <= width:
            _note(seen, Problem(number, "", "has too few columns", found.delimiter.join(record)[:80]))
            continue
        for name, at in found.columns.items():
            said = _wrong(name, record[at], rules, marks)
            if said:
                _note(seen, Problem(number, name, said, record[at][:80]))


def _wrong(name: str, text: str, rules: Defaults, marks: Marks) -> str:
    if name in LONGEST:
        if not text.strip():
            return "" if name == "customer" else "is empty"
        return "" if order_values.label(text, LONGEST[name]) is not None else f"must be 1 to {LONGEST[name]} readable characters"
    try:
        _value(name, text, rules, marks)
    except Wrong as wrong:
        return str(wrong)
    return ""


def _note(seen: Survey, problem: Problem) -> None:
    seen.problem_count += 1
    seen.wrong_rows.add(problem.row)
    if len(seen.problems) < MOST_LISTED:
        seen.problems.append(problem)
        return
    rows = seen.further.setdefault((problem.field, problem.detail), [])
    if rows and rows[-1][1] == problem.row - 1:
        rows[-1] = rows[-1][0], problem.row
    else:
        rows.append((problem.row, problem.row))


def rows(lines: Iterable[str], found: Layout, seen: Survey, rules: Defaults) -> Iterator[OrderRow]:
    """Every row that is right, in the file's order. Without a reference a day's rows of a channel are one order."""
    at = [found.columns.get(name) for name in FIELDS]
    reference, line, placed, due, channel, customer, state, product, units, price = at
    assert placed is not None
    assert product is not None
    assert units is not None
    days, wrong, make = seen.days, seen.wrong_rows, OrderRow._make
    for number, record in _records(lines, found):
        if number in wrong:
            continue
        day = days[record[placed]]
        where = rules.channel if channel is None else seen.channels.get(record[channel], rules.channel)
        yield make((
            record[reference].strip() if reference is not None else f"{where} {day}",
            None if line is None else seen.lines.get(record[line]),
            day,
            None if due is None else days.get(record[due]),
            where,
            (record[customer].strip() or None) if customer is not None else None,
            rules.state if state is None else seen.states.get(record[state], rules.state),
            record[product],
            seen.units[record[units]],
            None if price is None else seen.prices.get(record[price]),
        ))  # fmt: skip
