"""Order history through the API and the command line, on both engines: nothing twice, nothing moved, nothing half done."""

import random
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from conftest import SOAK, Bench, Server
from sqlalchemy import text

from service.store.engine import make_engine

HEAD = "Order,Date,Product,Quantity,Price,Status\n"
TODAY = datetime.now(UTC).date()


def send(bench: Bench, csv: str, expect: int = 201, **more: Any) -> dict[str, Any]:
    return bench.post("imports/orders", expect, csv=csv, **more)  # type: ignore[return-value]


def export(orders: int, seed: int = 5) -> str:
    """An invented shop's history: each order 1 to 4 lines, some with the same product twice."""
    dice = random.Random(seed)
    rows = []
    for n in range(orders):
        day = TODAY - timedelta(days=orders - n)
        rows += [f"S-{n},{day},balm-50,{dice.randint(1, 5)},12.50,shipped" for _ in range(dice.randint(1, 4))]
    return HEAD + "\n".join(rows) + "\n"


def test_history_is_added_once_and_moves_nothing(stocked: Bench) -> None:
    before = stocked.get("products/balm-50"), stocked.get("materials/shea")
    text = export(40)
    lines = text.count("\n") - 1
    rehearsed = send(stocked, text, 200, dry_run=True)
    assert (rehearsed["orders_added"], rehearsed["lines_added"], rehearsed["dry_run"]) == (40, lines, True)
    first = send(stocked, text)
    assert (first["orders_added"], first["lines_added"], first["lines_known"], first["rows"]) == (40, lines, 0, lines)
    assert first["mapping"]["units"] == "Quantity"
    again = send(stocked, text)
    assert (again["orders_added"], again["lines_added"], again["lines_known"]) == (0, 0, lines)
    longer = text + export(43).split("\n", lines + 1)[-1]
    more = send(stocked, longer)
    assert more["lines_known"] + more["lines_added"] == more["rows"]
    assert (stocked.get("products/balm-50"), stocked.get("materials/shea")) == before


def test_a_file_that_overlaps_in_the_middle_of_an_order_adds_the_rest(stocked: Bench) -> None:
    rows = [f"T-1,2026-01-05,balm-50,{units},," for units in (1, 2, 3)] + ["T-2,2026-01-06,balm-50,4,,"]
    assert send(stocked, HEAD + "\n".join(rows[:2]) + "\n")["lines_added"] == 2
    found = send(stocked, HEAD + "\n".join(rows) + "\n")
    assert (found["lines_known"], found["lines_added"], found["orders_added"]) == (2, 2, 1)


def test_lines_with_numbers_are_known_by_them(stocked: Bench) -> None:
    head = "order,line,date,sku,qty\n"
    assert send(stocked, head + "N,2,2026-01-05,balm-50,1\nN,1,2026-01-05,balm-50,1\n")["lines_added"] == 2
    found = send(stocked, head + "N,1,2026-01-05,balm-50,1\nN,3,2026-01-05,balm-50,9\nN,3,2026-01-05,balm-50,9\n")
    assert (found["lines_known"], found["lines_added"]) == (2, 1)


def test_rows_of_one_order_far_apart_are_one_order(stocked: Bench) -> None:
    """More lines between them than a transaction has."""
    middle = "".join(f"M-{n},2026-02-01,balm-50,1,,\n" for n in range(900))
    text = f"{HEAD}F,2026-01-05,balm-50,1,,\n{middle}F,2026-01-05,balm-50,2,,\n"
    found = send(stocked, text)
    assert (found["orders_added"], found["lines_added"]) == (901, 902)
    assert send(stocked, text, 200, dry_run=True)["lines_known"] == 902
    days = "day,product,units\n" + "2026-03-01,balm-50,1\n2026-03-02,balm-50,1\n" * 450
    assert (send(stocked, days)["orders_added"], send(stocked, days)["lines_known"]) == (2, 900)


def test_problems_and_unknown_products_keep_everything_out(stocked: Bench) -> None:
    text = HEAD + "P-1,2026-01-05,balm-50,1,,\nP-2,soon,balm-50,0,,\nP-3,2026-01-05,Old soap,2,,\nP-4,2026-01-05,BALM,3,,\n"
    refused = send(stocked, text, 422)
    assert refused["problem_count"] == 2
    assert [one["pointer"] for one in refused["errors"]][:2] == ["#/csv/3/placed_on", "#/csv/3/units"]
    assert refused["errors"][0]["detail"] == "row 3: placed_on is not a day: write it like 2026-03-31"
    assert refused["detail"] == "nothing was imported: 2 problems (row 3 first) and 2 unknown products"
    assert refused["unknown_products"] == [{"product": "BALM", "rows": 1}, {"product": "Old soap", "rows": 1}]
    rehearsed = send(stocked, text, 200, dry_run=True)
    assert (rehearsed["problem_count"], len(rehearsed["unknown_products"]), rehearsed["lines_added"]) == (2, 2, 1)
    products = {"balm": "balm-50", "Old soap": None}
    kept = send(stocked, text, products=products, skip_problems=True)
    assert (kept["lines_added"], kept["lines_skipped"], kept["unknown_products"]) == (2, 2, [])
    send(stocked, text, 422, products={"balm": "nothing"}, skip_problems=True)
    assert send(stocked, text, skip_problems=True, skip_unknown=True)["lines_known"] == 1


def test_every_row_of_a_file_full_of_problems_is_told(stocked: Bench) -> None:
    """A thousand are told one by one, the others by their rows; a row that is too short names no field."""
    text = HEAD + "D,03/04/2026,balm-50,1,,\n" * 1_005 + "S,2026-01-05\n"
    dry = send(stocked, text, 200, dry_run=True)
    assert (dry["problem_count"], len(dry["problems"]), dry["lines_skipped"]) == (1_006, 1_000, 1_006)
    assert [(one["field"], one["rows"]) for one in dry["further_problems"]] == [("placed_on", "1002-1006"), ("", "1007")]
    refused = send(stocked, text, 422)
    assert refused["further_problems"] == dry["further_problems"]
    [short] = send(stocked, HEAD + "S,2026-01-05\n", 422)["errors"]
    assert (short["pointer"], short["detail"]) == ("#/csv/2", "row 2: has too few columns")


def test_a_product_is_found_by_its_name(stocked: Bench) -> None:
    assert send(stocked, HEAD + 'Q-1,2026-01-05,"BALM, 50 g",1,,\n')["lines_added"] == 1


def test_open_orders_of_a_file_claim_and_history_does_not(stocked: Bench) -> None:
    send(stocked, HEAD + "H-1,2026-01-05,balm-50,10,,shipped\n")
    assert stocked.get("materials/tin")["claimed"] == 0
    found = send(stocked, HEAD + "O-1,2026-01-05,balm-50,10,,open\nO-2,2026-01-05,balm-50,7,,cancelled\n")
    assert found["open_orders_added"] == 1
    assert stocked.get("materials/tin")["claimed"] == 10
    assert send(stocked, HEAD + "O-1,2026-01-05,balm-50,10,,shipped\n")["otherwise_in_the_books"] == ["O-1"]
    assert stocked.get("orders/O-1")["state"] == "open"


def test_an_order_of_which_a_part_is_shipped_claims_the_rest(stocked: Bench, server: Server) -> None:
    """Whichever of its lines comes first, in one file or in two; of a line that was cancelled nothing was sold."""
    rows = ["{},2026-01-05,balm-50,10,,open", "{},2026-01-05,balm-50,4,,shipped", "{},2026-01-05,balm-50,3,,cancelled"]
    first, second, third, fourth = ([row.format(name) for row in rows] for name in ("P-1", "P-2", "P-3", "P-4"))
    found = send(stocked, HEAD + "\n".join([*first, *reversed(second)]) + "\n")
    assert (found["lines_added"], found["lines_skipped"], found["open_orders_added"]) == (4, 2, 2)
    for one, other in (third[:2], reversed(fourth[:2])):
        send(stocked, f"{HEAD}{one}\n")
        more = send(stocked, f"{HEAD}{one}\n{other}\n")
        assert (more["lines_added"], more["lines_known"], more["otherwise_in_the_books"]) == (1, 1, [])
    for reference in ("P-1", "P-2", "P-3", "P-4"):
        order: Any = stocked.get(f"orders/{reference}")
        assert order["state"] == "partly_shipped", reference
        assert sorted((line["open"], line["shipped"]) for line in order["lines"]) == [(0, 4), (10, 0)]
    assert stocked.get("materials/tin")["claimed"] == 40
    again = send(stocked, HEAD + "\n".join([*first, *reversed(second)]) + "\n")
    assert (again["lines_added"], again["lines_known"], again["otherwise_in_the_books"]) == (0, 4, [])
    verified = server.command("verify")
    assert verified.returncode == 0, verified.stdout


def test_a_file_as_it_is_and_as_an_upload(stocked: Bench) -> None:
    body = ("\ufeff" + HEAD + "U-1,31/12/2025,balm-50,1,,\n").encode()
    raw = stocked.client.post("/v1/imports/orders?channel=wholesale", content=body, headers={"Content-Type": "text/csv"})
    assert (raw.status_code, raw.json()["lines_added"]) == (201, 1)
    assert stocked.get("orders/U-1")["channel"] == "wholesale"
    fields = {"mapping": '{"units": "Price"}', "dry_run": "true"}
    part = stocked.client.post("/v1/imports/orders", data=fields, files={"file": ("x.csv", body.replace(b",1,,", b",1,6,"))})
    assert (part.status_code, part.json()["mapping"]["units"], part.json()["lines_known"]) == (200, "Price", 1)
    for content, kind, status in (
        (b"\xff\xfe", "text/csv", 422), (b"", "text/csv", 422), (body, "application/zip", 415),
        (b"x", "multipart/form-data", 422),
    ):  # fmt: skip
        answer = stocked.client.post("/v1/imports/orders", content=content, headers={"Content-Type": kind})
        assert answer.status_code == status, answer.text


def test_a_key_gives_the_first_answer_again(stocked: Bench) -> None:
    def ask(csv: str) -> httpx.Response:
        return stocked.client.post("/v1/imports/orders", json={"csv": csv}, headers={"Idempotency-Key": "import-1"})

    first, second = ask(export(3)), ask(export(3))
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json() == second.json()
    assert second.headers["Idempotent-Replay"] == "true"
    assert ask(export(4)).status_code == 422


@pytest.fixture
def file(tmp_path: Path) -> Path:
    made = tmp_path / "orders.csv"
    made.write_text(export(20), encoding="utf-8-sig")
    return made


def test_the_command_line_beside_a_serving_process(server: Server, file: Path) -> None:
    made = server.command("workshop", "add", f"import {time.monotonic_ns()}")
    code, token = made.stdout.split()
    with server.client(token) as client:
        bench = Bench(client)
        bench.post("materials", code="wax", name="Wax")
        bench.post("formulas", code="balm", name="Balm", lines=[{"material": "wax", "percent": 100}])
        bench.post("products", code="balm-50", name="Balm", formula="balm", fill_g=50)
        dry = server.command("import", "orders", str(file), "--dry-run", "--workshop", code)
        assert (dry.returncode, "would be added" in dry.stdout) == (0, True), dry.stderr
        done = server.command("import", "orders", str(file), "--workshop", code)
        assert done.returncode == 0, done.stderr
        assert "20 new orders added" in done.stdout
        assert "100%" in done.stderr
        assert "Quantity" in done.stderr
        again = server.command("import", "orders", str(file), "--workshop", code, "--map", "units=Quantity")
        assert again.stdout.startswith("0 lines of 0 new orders added")
        assert len(client.get("/v1/orders?limit=200").json()["items"]) == 20
        file.write_text(HEAD + "X,2026-13-45,balm-50,1,,\nY,2026-01-01,nothing,1,,\n")
        wrong = server.command("import", "orders", str(file), "--workshop", code)
        assert wrong.returncode == 2
        assert "row 2" in wrong.stderr
        assert "'nothing'" in wrong.stderr
        skipped = server.command("import", "orders", str(file), "--workshop", code, "--skip-problems", "--skip-unknown")
        assert "] 100%  2 of 2 rows" in skipped.stderr, "rows that are left out are done too"
        for told, said in (
            ("foo=Units", "foo: must be 'reference'"),
            ("units=Foo", "no column 'Foo'"),
            ("units", "like units=Qty"),
        ):
            refused = server.command("import", "orders", str(file), "--workshop", code, "--map", told)
            assert (refused.returncode, said in refused.stderr, "pydantic" in refused.stderr) == (2, True, False), refused.stderr
        assert server.command("import", "orders", str(file) + ".no", "--workshop", code).returncode == 2


@pytest.fixture
def large() -> str:
    return export(12_000 if SOAK else 1_500)


def test_runs_are_recorded_while_a_file_is_imported(stocked: Bench, server: Server, large: str) -> None:
    """No transaction of an import is long: a run is answered in its middle."""
    answers: list[dict[str, Any]] = []
    worker = threading.Thread(target=lambda: answers.append(send(stocked, large)))
    token = stocked.client.headers["Authorization"].removeprefix("Bearer ")
    took: list[float] = []
    with server.client(token) as client:
        worker.start()
        while worker.is_alive() or not took:
            began = time.perf_counter()
            assert client.post("/v1/runs", json={"product": "balm-50", "units": 1}).status_code == 201
            took.append(time.perf_counter() - began)
        worker.join()
    assert answers[0]["lines_added"] == large.count("\n") - 1
    assert len(took) >= 3
    assert sorted(took)[len(took) // 2] < 0.5, took


def test_the_books_add_up_after_imports(server: Server, stocked: Bench) -> None:
    send(stocked, export(10))
    verified = server.command("verify")
    assert verified.returncode == 0, verified.stdout


def test_postgresql_counts_its_rows_anew_after_many_were_added(server: Server, stocked: Bench) -> None:
    """With the counts of before it takes the workshop for empty, and a cover right after the import took a minute."""
    if not server.url.startswith("postgres"):
        pytest.skip("SQLite plans without counts")
    engine = make_engine(server.url, 1)

    def counted() -> Any:
        with engine.connect() as connection:
            return connection.scalar(text("SELECT last_analyze FROM pg_stat_user_tables WHERE relname = 'order_line'"))

    before, began = counted(), time.monotonic()
    send(stocked, export(600))
    while counted() == before and time.monotonic() - began < 20:  # the server tells its counts a little later
        time.sleep(0.1)
    assert counted() != before
    engine.dispose()
