"""An invented past of a workshop: the same every week, so that what is not like it can be seen in the answers."""

from datetime import UTC, date, datetime, timedelta
from typing import Any

from conftest import Bench

TODAY = datetime.now(UTC).date()
MONDAY = TODAY - timedelta(days=TODAY.weekday())


def day(weeks_ago: int, weekday: int = 0) -> date:
    """A day of a week that began so many weeks before this one."""
    return MONDAY - timedelta(days=7 * weeks_ago - weekday)


def told(bench: Bench, *rows: tuple[Any, ...]) -> None:
    """Import (order, day, channel, product, units), and a customer where it is told."""
    lines = ["order,date,channel,product,units,customer,due"]
    lines += [",".join(str(one) for one in (*row, *[""] * (7 - len(row)))) for row in rows]
    bench.post("imports/orders", csv="\n".join(lines) + "\n")


def every_week(bench: Bench, units: dict[int, int] | int, weeks: int = 30, product: str = "balm-50", stem: str = "R") -> None:
    """Orders of two units through each week: `units` a week, or so many in the weeks told and none in others."""
    rows: list[tuple[Any, ...]] = []
    for back in range(weeks, 0, -1):
        some = units if isinstance(units, int) else units.get(back, 0)
        rows += [(f"{stem}-{back}-{n}", day(back, n % 7), "online", product, 2) for n in range(some // 2)]
    told(bench, *rows)


def weekly(bench: Bench, channel: str = "retail", weeks: int = 6, product: str = "balm-50") -> list[float]:
    """The medians of the coming weeks' demand in a channel."""
    found: Any = bench.get(f"forecasts/{product}?weeks={weeks}")
    mine = next(one for one in found["channels"] if one["channel"] == channel)
    return [row["weekly"]["p50"] for row in mine["weeks"]]


def mean(bench: Bench, channel: str = "retail", product: str = "balm-50", weeks: int = 6) -> float:
    """Units a week that are expected in a channel."""
    found: Any = bench.get(f"forecasts/{product}?weeks={weeks}")
    return float(next(one for one in found["channels"] if one["channel"] == channel)["weekly_mean"])
