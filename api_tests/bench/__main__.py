"""Run the parts, print one table, keep it as JSON under var/bench."""

import importlib
import os
import platform
import shutil
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from api_tests.bench.figures import Figure, keep, table

PARTS = (
    "runs",
    "clients",
    "postgresql",
    "check",
    "lists",
    "late",
    "growth",
    "verify",
    "imports",
    "cover",
    "forecast",
    "meanwhile",
    "ordering",
    "purchase",
    "start",
)
KEPT = Path(__file__).parents[2] / "var" / "bench"


def main() -> int:
    """0 whatever the figures say: a missed one is told, not hidden."""
    only = [name for name in os.environ.get("ONLY", "").replace(",", " ").split() if name]
    unknown = sorted(set(only) - set(PARTS))
    if unknown:
        print(f"ONLY={','.join(unknown)}: it may be any of {', '.join(PARTS)}", file=sys.stderr)
        return 2
    quick = os.environ.get("BENCH_QUICK") == "1"
    figures: list[Figure] = []
    KEPT.mkdir(parents=True, exist_ok=True)
    for part in only or PARTS:
        began = time.monotonic()
        folder = Path(tempfile.mkdtemp(prefix=f"{part}-", dir=KEPT))
        try:
            figures += importlib.import_module(f"api_tests.bench.{part}").measure(quick, folder)
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        print(f"{part}: {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    now = datetime.now(UTC)
    about = {"at": f"{now:%Y-%m-%dT%H:%M:%SZ}", "quick": quick, "python": platform.python_version(), "cores": os.cpu_count()}
    path = KEPT / f"{now:%Y%m%dT%H%M%S}-{'-'.join(only) or 'all'}.json"
    keep(figures, path, about)
    print(table(figures))
    print(f"\nkept as {path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
