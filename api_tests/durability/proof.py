"""What the database itself holds after a crash: every kept paper whole, each under one key, nothing besides."""

import json
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from durability.clients import code_of
from sqlalchemy import Connection, Row, Table, select

from service.store.engine import make_engine, reading
from service.store.tables import Document, Idempotency, Line, Lot, Movement, Run

PATHS = {"receipt": "receipts", "count": "counts", "disposal": "disposals", "reversal": "reversals", "run": "runs"}
LINES = {"receipt": 1, "count": 1, "disposal": 1, "run": 5, "reversal": 0}  # a run: three materials, a tin, what it made
MOVING = ("receipt", "disposal", "run")  # a count of what the books say moves nothing


@dataclass
class Books:
    """One snapshot of the first workshop's tables."""

    keys: dict[str, Row[Any]]
    documents: dict[int, Row[Any]]
    lines: dict[int, int]
    moved: dict[int, set[int]]  # by document: lines that moved something
    lots: Counter[int]  # by the document that made them
    runs: list[Row[Any]]


def snapshot(url: str) -> Books:
    """Read, and leave: no connection stays open that would spare the next start its recovery."""
    engine = make_engine(url, 2)
    try:
        with reading(engine).connect() as connection:
            return _read(connection)
    finally:
        engine.dispose()


def _read(connection: Connection) -> Books:
    def rows(shape: Any) -> list[Row[Any]]:
        table: Table = shape.__table__
        mine = table.c.workshop_id == 1
        return list(connection.execute(select(table).where(mine)))

    moved: dict[int, set[int]] = defaultdict(set)
    for one in rows(Movement):
        moved[one.document_id].add(one.line)
    return Books(
        {one.key: one for one in rows(Idempotency)},
        {one.id: one for one in rows(Document)},
        Counter(one.document_id for one in rows(Line)),
        moved,
        Counter(one.document_id for one in rows(Lot) if one.document_id is not None),
        rows(Run),
    )


def faults(books: Books, before: set[str]) -> Iterator[str]:
    """Whatever is half there, there twice, or there without a key; `before` holds the codes of papers without one."""
    runs = {run.document_id: run for run in books.runs}
    if len(runs) != len(books.runs) or None in runs:
        yield f"{len(books.runs)} runs for {len(runs)} documents"
    kept: Counter[str] = Counter()
    for key, row in books.keys.items():
        if row.status != 201:
            yield f"key {key} has status {row.status}"
            continue
        answer = json.loads(row.answer)
        path = next(path for path in ("runs", *PATHS.values()) if path.removesuffix("s") in answer or "batch" in answer)
        kept[code_of(path, answer)] += 1
    there: Counter[str] = Counter()
    for document in books.documents.values():
        if document.kind in PATHS and document.states:
            there[runs[document.id].code if document.id in runs else document.code] += 1
            yield from _whole(books, document, runs)
    for code in (there | kept).keys() - before:
        if (there[code], kept[code]) != (1, 1):
            yield f"{code}: {there[code]} documents, {kept[code]} kept answers"


def _whole(books: Books, document: Row[Any], runs: dict[int, Row[Any]]) -> Iterator[str]:
    kind, name = document.kind, f"{document.kind} {document.code}"
    if books.lines.get(document.id, 0) != LINES[kind]:
        yield f"{name} has {books.lines.get(document.id, 0)} lines"
    own = [document.id, *(one.id for one in books.documents.values() if one.corrects_id == document.id)]
    if kind in MOVING and len(set().union(*(books.moved[one] for one in own))) != LINES[kind]:
        yield f"{name} moved only lines {sorted(books.moved[document.id])}"
    if kind in ("receipt", "run") and not books.lots[document.id]:
        yield f"{name} made no lot"
    if (kind == "run") != (document.id in runs):
        yield f"{name}: a run's row without its document, or the other way round"
    if kind == "reversal" and document.reverses_id not in books.documents:
        yield f"{name} reverses nothing"
