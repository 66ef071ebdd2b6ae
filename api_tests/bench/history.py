"""Years of a workshop's papers written straight into its SQLite file, each like one that the service recorded.

A receipt, a planned run that made something, a scrapped run and a disposal are recorded through the service and then repeated
with ids, codes, days, lots and money of their own: every lot is received, used up to the last milligram and worth nothing after,
so that `verify` finds the books in order.
"""

import random
import sqlite3
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Any

from service.core.stock.costs import worth
from service.store.ids import EPOCH_MS

TABLES = ("document", "line", "lot", "movement", "run", "run_line", "idempotency")
DAYS = 600  # the history ends the day before today
FLUSH = 20_000  # papers written at once
RECEIVED_MICRO = 1_000_000_007  # what a delivery of the history costs: a prime, so that money never divides evenly

Rows = dict[str, list[dict[str, Any]]]


@dataclass(slots=True)
class Leaving:
    """A lot of the history while it is being used up."""

    id: int
    quantity: int
    cost: int
    left: int = field(init=False)

    def __post_init__(self) -> None:
        self.left = self.quantity

    def draw(self, quantity: int) -> int:
        """Take from it (a negative quantity); the signed change of what it is worth."""
        before = worth(self.cost, self.left, self.quantity)
        self.left += quantity
        after = worth(self.cost, self.left, self.quantity)
        assert before is not None
        assert after is not None
        assert self.left >= 0, "more was drawn than came"
        return after - before


class History:
    """Writes papers into one file, oldest first."""

    def __init__(self, file: Path) -> None:
        self.connection = sqlite3.connect(file, isolation_level=None)
        for pragma in ("synchronous=OFF", "foreign_keys=OFF", "cache_size=-200000"):
            self.connection.execute(f"PRAGMA {pragma}").close()
        self.columns = {table: [row[1] for row in self.connection.execute(f"PRAGMA table_info({table})")] for table in TABLES}
        self.rows: dict[str, list[list[Any]]] = {table: [] for table in TABLES}
        self.papers: defaultdict[int, int] = defaultdict(int)
        self.papers.update(self.connection.execute("SELECT id, papers FROM item").fetchall())
        self.items = dict(self.connection.execute("SELECT id, item_id FROM lot").fetchall())
        self.made = self.movements = self.lots = 0
        self.day = datetime.now(UTC).date() - timedelta(days=DAYS)
        self.keys = random.Random(14)

    def of(self, document: int) -> Rows:
        """Everything the service wrote for a document."""
        found: Rows = {}
        mine = {
            "document": "id = ?", "line": "document_id = ?", "lot": "document_id = ?", "movement": "document_id = ?",
            "run": "document_id = ?", "run_line": "run_id = (SELECT id FROM run WHERE document_id = ?)",
        }  # fmt: skip
        for table, where in mine.items():
            said = self.connection.execute(f"SELECT * FROM {table} WHERE {where}", (document,))
            found[table] = [dict(zip(self.columns[table], row, strict=True)) for row in said]
        return found

    def answer_to(self, key: str) -> dict[str, Any]:
        """The answer the service kept for a key."""
        row = self.connection.execute('SELECT * FROM idempotency WHERE "key" = ?', (key,)).fetchone()
        return dict(zip(self.columns["idempotency"], row, strict=True))

    def add(self, table: str, row: dict[str, Any], **own: Any) -> None:
        row = row | own
        self.rows[table].append([row[name] for name in self.columns[table]])

    def new_id(self) -> int:
        """An id of the day the history has reached, greater than the one before."""
        self.made += 1
        reached = int(datetime.combine(self.day, time(12), UTC).timestamp() * 1000)
        return ((reached - EPOCH_MS) << 22) + self.made

    def paper(self, like: Rows, lots: dict[int, Leaving], kept: dict[str, Any] | None = None) -> list[Leaving]:
        """One more paper like this one, drawing on these lots (by item); answers the lots it made."""
        id_ = self.new_id()
        code, at = f"H-{self.made:07}", f"{self.day} 12:00:00.000000"
        day = str(self.day)
        self.add("document", like["document"][0], id=id_, code=code, happened_on=day, happened_at=at, recorded_at=at)
        fresh = {lot["id"]: self.new_id() for lot in like["lot"]}
        draws = [(one, lots[self.items[one["lot_id"]]]) for one in like["movement"] if one["lot_id"] not in fresh]
        for line in like["line"]:
            self.papers[line["item_id"]] += 1
            lot = line["lot_id"] and (fresh.get(line["lot_id"]) or lots[line["item_id"]].id)
            self.add("line", line, document_id=id_, paper=self.papers[line["item_id"]], lot_id=lot)
        taken = 0
        for move, lot in draws:
            cost = lot.draw(move["quantity"])
            taken -= cost
            self.add("movement", move, document_id=id_, lot_id=lot.id, cost_micro=cost)
        made = []
        for move in like["movement"]:
            if move["lot_id"] in fresh:
                made.append(Leaving(fresh[move["lot_id"]], move["quantity"], taken if draws else RECEIVED_MICRO))
                self.add("movement", move, document_id=id_, lot_id=made[-1].id, cost_micro=made[-1].cost)
        assert len(made) <= 1, "money is shared between several lots by the service alone"
        for lot_row in like["lot"]:
            self.add("lot", lot_row, id=made[0].id, code=code, document_id=id_, received_on=day, quantity=made[0].quantity,
                     cost_micro=made[0].cost, on_hand=0, cost_left_micro=0)  # fmt: skip
        for run in like["run"]:
            run_id = self.new_id()
            self.add("run", run, id=run_id, code=code, document_id=id_, made_on=day, planned_on=run["planned_on"] and day)
            for need in like["run_line"]:
                self.add("run_line", need, run_id=run_id)
        if kept is not None:
            self.add("idempotency", kept, key=f"{self.keys.getrandbits(128):032x}", created_at=at)
        self.movements += len(like["movement"])
        self.lots += len(made)
        return made

    def flush(self, always: bool = False) -> None:
        """Write what waits, oldest first."""
        if not always and len(self.rows["document"]) < FLUSH:
            return
        self.connection.execute("BEGIN")
        for table, rows in self.rows.items():
            names = self.columns[table]
            quoted = ", ".join(f'"{name}"' for name in names)
            self.connection.executemany(f"INSERT INTO {table} ({quoted}) VALUES ({', '.join('?' * len(names))})", rows)
            rows.clear()
        self.connection.executemany("UPDATE item SET papers = ? WHERE id = ?", [(n, item) for item, n in self.papers.items()])
        self.connection.execute("COMMIT")

    def close(self) -> None:
        self.flush(always=True)
        wrong = self.connection.execute("PRAGMA foreign_key_check").fetchmany(3)
        assert not wrong, f"rows of the history point nowhere: {wrong}"
        self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        self.connection.close()


@dataclass(slots=True)
class Likes:
    """The documents to repeat: a receipt of each item, a run, a scrapped run, a disposal of one unit of what a run made."""

    receipts: list[Rows]
    made: Rows
    scrapped: Rows
    disposal: Rows
    answer: dict[str, Any]


def write(history: History, likes: Likes, movements: int, lots: int) -> None:
    """At least this many movements and lots: half the lots delivered, half made and given away unit by unit."""
    deliveries = lots // 2 // len(likes.receipts) + 1
    made = lots - deliveries * len(likes.receipts)
    units = next(one["quantity"] for one in likes.made["movement"] if one["quantity"] > 0)
    others = deliveries * len(likes.receipts) + made * (len(likes.made["movement"]) + units)
    scrapped = max(0, movements - others) // len(likes.scrapped["movement"]) + 1
    first = history.day
    product = likes.made["lot"][0]["item_id"]
    for n in range(deliveries):
        history.day = first + timedelta(days=DAYS * n // deliveries)
        share = [whole * (n + 1) // deliveries - whole * n // deliveries for whole in (made, scrapped)]
        stock = _deliver(history, likes, *share)
        for k in range(max(share)):
            if k < share[1]:
                history.paper(likes.scrapped, stock, likes.answer)
            if k < share[0]:
                [batch] = history.paper(likes.made, stock, likes.answer)
                for _ in range(units):
                    history.paper(likes.disposal, {product: batch})
            history.flush()
        assert not any(lot.left for lot in stock.values()), "a delivery was not used up"


def _deliver(history: History, likes: Likes, made: int, scrapped: int) -> dict[int, Leaving]:
    """A lot of each item, exactly what these runs will use."""
    wanted: defaultdict[int, int] = defaultdict(int)
    for like, times in ((likes.made, made), (likes.scrapped, scrapped)):
        for move in like["movement"]:
            if move["quantity"] < 0:
                wanted[history.items[move["lot_id"]]] -= move["quantity"] * times
    stock = {}
    for like in likes.receipts:
        item = like["lot"][0]["item_id"]
        own = like | {
            "line": [line | {"quantity": wanted[item]} for line in like["line"]],
            "movement": [move | {"quantity": wanted[item]} for move in like["movement"]],
        }
        [stock[item]] = history.paper(own, {})
    return stock
