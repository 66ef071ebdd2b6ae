"""The proof of a million movements: each law beside one SQL sum grouped by lot, in a process of its own."""

import json
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from api_tests.bench import rig
from api_tests.bench.figures import Figure
from api_tests.bench.growth import likes_of
from api_tests.bench.history import write

SIZE, QUICK = (1_000_000, 20_000), (100_000, 2_000)  # movements, lots
MOST_SUMS, MOST_LATE, MOST_MB = 5, 20, 200
SUM = "SELECT lot_id, sum(quantity), sum(cost_micro) FROM movement GROUP BY lot_id"


def measure(quick: bool, folder: Path) -> list[Figure]:
    file = folder / "books.db"
    rig.fresh(rig.url_of(file))
    history, likes = likes_of(file)
    write(history, likes, *(QUICK if quick else SIZE))
    history.close()
    command = [sys.executable, "-m", "api_tests.bench.verify", rig.url_of(file)]
    found = json.loads(subprocess.run(command, cwd=rig.ROOT, capture_output=True, text=True, check=True).stdout)
    once, words = found["sum"], f"{found['movements']:,} movements; the sum {found['sum'] * 1000:.0f} ms"
    return [
        Figure("verify", "laws 3 and 9 / one sum", found["sums"] / once, f"{found['sums']:.2f} s; {words}", most=MOST_SUMS),
        Figure("verify", "law 13 / one sum", found["late"] / once, f"{found['late']:.2f} s; {words}", most=MOST_LATE),
        Figure("verify", "law 4 / one sum", found["formulas"] / once, f"{found['formulas'] * 1000:.1f} ms"),
        Figure("verify", "law 8 / one sum", found["genealogy"] / once, f"{found['genealogy'] * 1000:.1f} ms"),
        Figure("verify", "memory", found["mb"], "MB at the peak of the process", most=MOST_MB),
    ]


def seconds(work: Callable[[], list[Any]], times: int = 1) -> float:
    """The best of some times; it must find nothing wrong."""
    took = []
    for _ in range(times):
        began = time.perf_counter()
        found = work()
        took.append(time.perf_counter() - began)
        assert not found, found[:3]
    return min(took)


def main(url: str) -> None:
    """Time the sum and each law on one snapshot; print seconds and the peak of memory."""
    from service.actions import verify
    from service.serve import open_database
    from service.store import audit

    engine = open_database(rig.settings(url))
    with engine.connect() as connection:
        (workshop,) = audit.workshops(connection)
        found: dict[str, float] = {"movements": connection.exec_driver_sql("SELECT count(*) FROM movement").scalar_one()}
        for laws in (verify.sums, verify.formulas, verify.genealogy, verify.late):
            found[laws.__name__] = seconds(lambda laws=laws: list(laws(connection, workshop)))  # type: ignore[misc]
        found["mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # before the sum, which sorts in memory
        found["sum"] = seconds(lambda: connection.exec_driver_sql(SUM).all() and [], 3)
    engine.dispose()
    print(json.dumps(found))


if __name__ == "__main__":
    main(sys.argv[1])
