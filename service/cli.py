"""The command line: parse, one act, print."""

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine

from service import logs
from service.settings import Settings, WrongSetting


def parser() -> argparse.ArgumentParser:
    """Every command and option."""
    top = argparse.ArgumentParser(
        prog="python -m service",
        description="Stillroom: stock, formulas, production runs. Settings are STILLROOM_* variables.",
    )
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND")
    serve = commands.add_parser("serve", help="serve the API (migrates first; the demo when the database is new)")
    serve.add_argument("--host", help="instead of STILLROOM_HOST")
    serve.add_argument("--port", type=int, help="instead of STILLROOM_PORT")
    commands.add_parser("worker", help="watch and deliver beside the processes that serve (PostgreSQL; any number)")
    commands.add_parser("migrate", help="bring the database to this version's shape")
    proof = commands.add_parser("verify", help="prove the books: laws 3, 4, 8, 9 and 13 over everything")
    proof.add_argument("--workshop", help="its code; all of them without")
    token = commands.add_parser("token", help="make, list or revoke tokens")
    acts = token.add_subparsers(dest="act", required=True, metavar="ACT")
    add = acts.add_parser("add", help="make a token; it is shown this once")
    add.add_argument("name")
    add.add_argument("--scope", choices=("read", "record", "manage"), default="record")
    listing = acts.add_parser("list", help="list standing tokens")
    revoke = acts.add_parser("revoke", help="revoke a token")
    revoke.add_argument("code")
    for one in (add, listing, revoke):
        one.add_argument("--workshop", help="its code; the first workshop without")
    _import_parser(commands)
    workshop = commands.add_parser("workshop", help="make or list workshops")
    acts = workshop.add_subparsers(dest="act", required=True, metavar="ACT")
    acts.add_parser("add", help="make a workshop and its owner's token").add_argument("name")
    acts.add_parser("list", help="list workshops")
    return top


def _import_parser(commands: Any) -> None:
    kinds = commands.add_parser("import", help="import a file").add_subparsers(dest="kind", required=True, metavar="KIND")
    orders = kinds.add_parser("orders", help="order history from a CSV file; the same lines twice are added once")
    orders.add_argument("file", type=Path)
    orders.add_argument("--map", action="append", default=[], metavar="FIELD=HEADER", help="where the column found is not right")
    orders.add_argument("--product", action="append", default=[], metavar="NAME=CODE", help="a name in the file; NAME= skips it")
    orders.add_argument("--skip-unknown", action="store_true", help="leave out rows of unknown products")
    orders.add_argument("--skip-problems", action="store_true", help="leave out rows with problems")
    orders.add_argument("--channel", choices=("retail", "wholesale", "market"), default="retail", help="of rows that name none")
    orders.add_argument("--state", choices=("open", "shipped", "cancelled"), default="shipped", help="of rows that name none")
    orders.add_argument("--date-order", choices=("dmy", "mdy", "ymd"), help="where 3/4/2026 could be two days")
    orders.add_argument("--decimal", choices=(".", ","), help="where 1,500 could be two numbers")
    orders.add_argument("--dry-run", action="store_true", help="say what would be added and what is wrong, and keep nothing")
    orders.add_argument("--workshop", help="its code; the first workshop without")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; the exit status."""
    from service.errors import Refusal
    from service.serve import CannotStart, work

    options = parser().parse_args(arguments)
    logs.install()
    try:
        settings = Settings.from_environment()
        if options.command == "serve":
            return _serve(settings, options)
        if options.command == "worker":
            return work(settings)
        return _beside(settings, options)
    except (WrongSetting, CannotStart, Refusal) as error:
        print(f"stillroom: {error}", file=sys.stderr, flush=True)
        return 2
    except KeyboardInterrupt:
        return 130


def _serve(settings: Settings, options: argparse.Namespace) -> int:
    from service.serve import serve

    if options.host:
        settings = replace(settings, host=options.host)
    if options.port is not None:
        if not 0 <= options.port <= 65_535:
            raise WrongSetting(f"--port is {options.port}: it may be a whole number from 0 to 65535")
        settings = replace(settings, port=options.port)
    return serve(settings)


def _beside(settings: Settings, options: argparse.Namespace) -> int:
    """Commands that may run beside a serving process, in short transactions."""
    from service.serve import open_database

    engine = open_database(settings)
    try:
        if options.command == "migrate":
            print("the database has this version's shape")
            return 0
        if options.command == "verify":
            return _verify(engine, options.workshop)
        if options.command == "import":
            return _import(engine, settings, options)
        return _write(engine, _token if options.command == "token" else _workshop, options)
    finally:
        engine.dispose()


def _verify(engine: Engine, workshop: str | None) -> int:
    from service.actions.verify import verify
    from service.store.writer import Reader

    def work(connection: Connection) -> list[str]:
        if workshop is not None:
            _chosen(connection, workshop)
        return verify(connection, workshop)

    found = Reader(engine).read(work)
    for sentence in found:
        print(sentence)
    print("the books do not add up" if found else "the books add up: laws 3, 4, 8, 9 and 13 hold")
    return 1 if found else 0


def _write(engine: Engine, act: Callable[[Connection, argparse.Namespace], list[str]], options: argparse.Namespace) -> int:
    """One transaction; what it says is printed once it is kept."""
    from service.store.engine import writing
    from service.store.writer import run_with_retries

    for line in run_with_retries(writing(engine), lambda connection: act(connection, options)):
        print(line)
    return 0


def _chosen(connection: Connection, code: str | None) -> Any:
    """The workshop of this code, or the first."""
    from service.actions import access
    from service.errors import NotFound

    workshop = access.workshop_by_code(connection, code)
    if workshop is None:
        wanted = f"no workshop '{code}'" if code else "no workshop yet"
        raise NotFound(f"there is {wanted}: `workshop list` shows them, `workshop add NAME` makes one")
    return workshop


def _named(name: str) -> str:
    """A name as the API takes it."""
    from service.errors import Invalid

    if not 1 <= len(name.strip()) <= 120 or not name.isprintable():
        raise Invalid("a name has 1 to 120 printable characters")
    return name.strip()


def _import(engine: Engine, settings: Settings, options: argparse.Namespace) -> int:
    from service.bulk import import_orders, tell_further
    from service.errors import Invalid, NotFound

    if not options.file.is_file():
        raise NotFound(f"there is no file {options.file}")
    try:
        import_orders(engine, settings, options, lambda connection: _chosen(connection, options.workshop))
    except Invalid as error:
        for one in error.errors:
            named = f"{one.detail}: '{one.given}'" if one.given is not None else one.detail
            print(named + (f" (allowed: {one.allowed})" if one.allowed else ""), file=sys.stderr)
        tell_further(error.facts.get("further_problems", ()))
        raise
    return 0


def _token(connection: Connection, options: argparse.Namespace) -> list[str]:
    from service.actions import access
    from service.serve import owner_scope

    workshop = _chosen(connection, options.workshop)
    scope = owner_scope(connection, workshop)
    if options.act == "add":
        code, text = access.add_token(
            connection, workshop.id, workshop.code, _named(options.name), [options.scope], datetime.now(UTC)
        )
        return [f"{code}  {options.scope}  {text}"]
    if options.act == "revoke":
        access.revoke_token(scope, options.code)
        return [f"{options.code} is revoked"]
    return [
        f"{one['code']}  {','.join(one['scopes'])}  {one['name']}  last used {one['last_used_on'] or 'never'}"
        for one in access.list_tokens(scope, None, 10_000)[0]
    ]


def _workshop(connection: Connection, options: argparse.Namespace) -> list[str]:
    from service.actions import access

    if options.act == "list":
        return [f"{one.code}  {one.name}" for one in access.list_workshops(connection)]
    now = datetime.now(UTC)
    workshop = access.add_workshop(connection, _named(options.name), now)
    _, token = access.add_token(connection, workshop.id, workshop.code, "owner", ["manage"], now)
    return [f"{workshop.code}  {token}"]
