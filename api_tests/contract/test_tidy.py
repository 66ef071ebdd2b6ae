"""How the house is kept: sizes, where SQL and commits may stand, and what an import may load."""

import ast
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import ROOT

SERVICE = ROOT / "service"
FILES = sorted(path for path in SERVICE.rglob("*.py") if path.parent.name != "versions")  # migrations are frozen as they were
MOST_LINES, MOST_IN_FUNCTION = 300, 50
HEAVY = ("numpy", "scipy", "alembic", "psycopg")
CHANGES = ("insert", "update", "delete")
SQL_VERBS = ("INSERT INTO ", "UPDATE ", "DELETE FROM ", "REPLACE INTO ", "TRUNCATE ")
MAY_COMMIT = ("store/writer.py", "store/migrate.py", "store/migrations/")
COMMITS = ("commit", "begin", "begin_twophase")
DATABASE = re.compile(r"engine|conn|session|transaction|writing|reading")  # whose `begin` is the database's


def name(path: Path) -> str:
    return path.relative_to(SERVICE).as_posix()


def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def test_there_is_something_to_look_at() -> None:
    assert len(FILES) >= 60


def test_no_file_is_long() -> None:
    long = {name(path): lines for path in FILES if (lines := len(path.read_text("utf-8").splitlines())) > MOST_LINES}
    assert not long


def test_no_function_is_long() -> None:
    long = {
        f"{name(path)}:{node.lineno} {node.name}": node.end_lineno - node.lineno + 1
        for path in FILES
        for node in ast.walk(tree(path))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno is not None
        and node.end_lineno - node.lineno + 1 > MOST_IN_FUNCTION
    }
    assert not long


def sql_changes(module: ast.Module) -> Iterator[str]:
    """SQLAlchemy's insert, update and delete by any import, their methods of tables, and the same as text."""
    aliases = {
        alias.asname or alias.name
        for node in ast.walk(module)
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in ("sqlalchemy", "sqlmodel")
        for alias in node.names
        if alias.name in CHANGES or alias.name in ("sqlalchemy", "sqlmodel")
    }
    modules = {
        (alias.asname or alias.name).split(".")[0]
        for node in ast.walk(module)
        if isinstance(node, ast.Import)
        for alias in node.names
        if alias.name.split(".")[0] in ("sqlalchemy", "sqlmodel")
    }
    for node in ast.walk(module):
        if isinstance(node, ast.Name) and node.id in aliases:
            yield f"line {node.lineno}: {node.id}"
        elif isinstance(node, ast.Attribute) and node.attr in CHANGES:
            whose = ast.unparse(node.value)
            if whose.split(".")[0] in modules or whose.endswith("__table__") or whose.isupper():
                yield f"line {node.lineno}: {whose}.{node.attr}"
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.lstrip().startswith(SQL_VERBS):
            yield f"line {node.lineno}: {node.value[:40]}"


def test_only_the_store_changes_tables() -> None:
    found = {name(path): list(sql_changes(tree(path))) for path in FILES}
    outside = {path: said for path, said in found.items() if said and not path.startswith("store/")}
    assert not outside
    assert any(said for path, said in found.items() if path == "store/ledger.py"), "the search finds what is there"


def test_the_search_for_changes_finds_each_kind() -> None:
    for text in (
        "from sqlalchemy import update as change\nchange(LOT)",
        "from sqlalchemy.dialects.postgresql import insert\ninsert(LOT)",
        "import sqlalchemy as sa\nsa.delete(LOT)",
        "LOT.update()",
        "Lot.__table__.insert()",
        "run('DELETE FROM lot')",
    ):
        assert list(sql_changes(ast.parse(text))), text
    assert not list(sql_changes(ast.parse("values.update({})\nfound = {'update': 1}")))


def commits(module: ast.Module) -> Iterator[str]:
    """Calls that end or begin a transaction of the database's."""
    for node in ast.walk(module):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in COMMITS:
            whose = ast.unparse(node.func.value)
            if node.func.attr == "commit" or DATABASE.search(whose.lower()):
                yield f"line {node.lineno}: {whose}.{node.func.attr}"


def test_only_the_writer_and_migrations_commit() -> None:
    found = {name(path): list(commits(tree(path))) for path in FILES}
    assert not {path: said for path, said in found.items() if said and not path.startswith(MAY_COMMIT)}
    assert found["store/writer.py"], "the search finds what is there"
    assert list(commits(ast.parse("with make_engine(url).begin() as c: pass\nscope.connection.commit()")))


def run(program: str, **environment: str) -> str:
    """A program in a process of its own that knows nothing of this one."""
    done = subprocess.run([sys.executable, "-c", program], cwd=ROOT, env=environment, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_application_loads_nothing_heavy(tmp_path: Path) -> None:
    made = (
        "import sys, service.app\nfrom service.settings import Settings\n"
        f"service.app.create_app(Settings(database_url='sqlite:///{tmp_path}/x.db')).openapi()\n"
        f"print(sorted({{name.split('.')[0] for name in sys.modules}} & set({HEAVY!r})))"
    )
    assert run(made).strip() == "[]"


MODULES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in FILES
    if path.name != "env.py"  # alembic's own entry: it runs where alembic loads it
)


def test_every_module_is_imported_with_an_empty_environment(tmp_path: Path) -> None:
    """Nothing runs, reads a setting or touches the disk at import."""
    program = f"import importlib, os, sys\nsys.path.insert(0, {str(ROOT)!r})\nos.chdir({str(tmp_path)!r})\n"
    program += "".join(f"importlib.import_module({module!r})\n" for module in MODULES)
    run(program + "assert os.listdir('.') == []")


@pytest.mark.skipif(os.environ.get("STILLROOM_SOAK") != "1", reason="each module first, in a process of its own: long")
@pytest.mark.parametrize("module", MODULES)
def test_each_module_can_be_the_first(module: str) -> None:
    run(f"import {module}")
