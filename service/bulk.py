"""Importing a file from the command line, with a bar that shows how far it is."""

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime
from typing import Any

from pydantic import ValidationError
from sqlalchemy import Connection, Engine

from service.actions.scope import Scope, WorkshopFacts
from service.actions.selling import imports
from service.actions.selling.import_batch import Added
from service.api.problems import of_validation
from service.errors import Invalid
from service.serve import owner_scope, served
from service.settings import Settings
from service.shapes.imports import OrderImportIn
from service.store.engine import writing
from service.store.writer import Reader, run_with_retries

ALONE, BESIDE = 2_500, 400  # lines in a transaction: some 25 ms, or 4 ms beside a serving process
WIDTH = 40


def import_orders(
    engine: Engine, settings: Settings, options: argparse.Namespace, choose: Callable[[Connection], WorkshopFacts]
) -> None:
    """Look at the file, then add it in short transactions; prints what was added. Invalid lists every problem."""
    body = request(options)
    read = Reader(engine).read
    workshop = read(choose)
    scope = read(lambda connection: owner_scope(connection, workshop, "import"))
    print(f"looking at {options.file} ...", file=sys.stderr, flush=True)
    made = imports.look(imports.lines_of(options.file), body, scope.zone, scope.today)
    read(lambda connection: imports.match(owner_scope(connection, workshop, "import"), made))
    for name, header in made.layout.mapping.items():
        print(f"  {name:<11} {header}", file=sys.stderr)
    beside = served(settings)

    def act(one: Callable[[Scope], Added]) -> Added:
        def work(connection: Connection) -> Added:
            return one(owner_scope(connection, workshop, "import"))

        if body.dry_run:
            return read(work)
        began = time.monotonic()
        added: Added = run_with_retries(writing(engine), work)
        if beside:  # the serving process gets its turn between two transactions
            time.sleep(max(0.005, time.monotonic() - began))
        return added

    bar = Bar(datetime.now(UTC))
    imports.run(made, act, bar.step, BESIDE if beside else ALONE)
    bar.end()
    _tell(imports.answer(made))


def request(options: argparse.Namespace) -> OrderImportIn:
    """The options as the API's request."""
    given: dict[str, Any] = {
        name: getattr(options, name)
        for name in ("skip_unknown", "skip_problems", "channel", "state", "date_order", "decimal", "dry_run")
    }
    given["mapping"] = dict(_pair(one, "--map") for one in options.map)
    given["products"] = {name: code or None for name, code in (_pair(one, "--product") for one in options.product)}
    try:
        return OrderImportIn.model_validate({**given, "csv": "-"})
    except ValidationError as error:
        raise of_validation(error.errors()) from None


def _pair(text: str, option: str) -> tuple[str, str]:
    name, sign, value = text.partition("=")
    if not sign or not name.strip():
        raise Invalid(f"{option} {text}: write it with a sign between, like units=Qty")
    return name.strip(), value.strip()


def _tell(answer: dict[str, Any]) -> None:
    """The problems and unknown products of a rehearsal, or of what was skipped, and what was added."""
    for one in answer["problems"]:
        print(f"row {one['row']}: {one['field']} {one['detail']}: '{one['given']}'", file=sys.stderr)
    tell_further(answer["further_problems"])
    for one in answer["unknown_products"]:
        print(f"unknown product '{one['product']}' in {one['rows']} rows", file=sys.stderr)
    for reference in answer["otherwise_in_the_books"]:
        print(f"order {reference} has another state in the books: left as it is", file=sys.stderr)
    print(answer["sentence"])


def tell_further(problems: Iterable[Mapping[str, str]]) -> None:
    """The rows of the problems that are too many to be told one by one."""
    for one in problems:
        print(f"rows {one['rows']}: {one['field']} {one['detail']}", file=sys.stderr)


class Bar:
    """How far an import is, on stderr, at most ten times a second."""

    def __init__(self, began: datetime) -> None:
        self.began, self.shown = began, 0.0

    def step(self, done: int, of: int) -> None:
        """Redraw it."""
        now = time.monotonic()
        if now - self.shown < 0.1 and done < of:
            return
        self.shown = now
        share = min(1.0, done / max(of, 1))
        full = int(WIDTH * share)
        seconds = max((datetime.now(UTC) - self.began).total_seconds(), 1e-3)
        line = f"\r[{'#' * full}{'.' * (WIDTH - full)}] {share:4.0%}  {done} of {of} rows, {done / seconds:.0f} a second"
        print(line, end="", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Leave the line."""
        if self.shown:
            print(file=sys.stderr, flush=True)
