"""A measured figure beside its target, and the table of all of them."""

import json
from dataclasses import asdict, dataclass
from pathlib import Path


@dataclass(slots=True)
class Figure:
    """`value` is judged by `least` and `most` where there are any; `said` is what was measured, in words."""

    part: str
    what: str
    value: float
    said: str
    least: float | None = None
    most: float | None = None
    disk_ms: float | None = None  # the disk's fdatasync p50 at that time, beside every figure of writing

    @property
    def target(self) -> str:
        bounds = [f">= {self.least:g}"] if self.least is not None else []
        bounds += [f"<= {self.most:g}"] if self.most is not None else []
        return " and ".join(bounds)

    @property
    def verdict(self) -> str:
        if self.least is None and self.most is None:
            return ""
        low = self.least is not None and self.value < self.least
        high = self.most is not None and self.value > self.most
        return "missed" if low or high else "met"


def middle(values: list[float]) -> float:
    """The p50."""
    return quantile(values, 0.5)


def quantile(values: list[float], share: float) -> float:
    """The value below which this share of them lies."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def table(figures: list[Figure]) -> str:
    """Part, figure, value, target, verdict, disk, and what was measured."""
    head = ("part", "figure", "value", "target", "", "fdatasync", "measured")
    rows = [
        (one.part, one.what, f"{one.value:.3g}" if abs(one.value) < 100 else f"{one.value:.0f}", one.target, one.verdict,
         f"{one.disk_ms:.2f} ms" if one.disk_ms is not None else "", one.said)
        for one in figures
    ]  # fmt: skip
    widths = [max(len(row[n]) for row in [head, *rows]) for n in range(len(head))]
    lines = ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in [head, *rows]]
    return "\n".join([lines[0], "  ".join("-" * width for width in widths), *lines[1:]])


def keep(figures: list[Figure], path: Path, about: dict[str, object]) -> None:
    """The same as JSON."""
    path.parent.mkdir(parents=True, exist_ok=True)
    shown = [asdict(one) | {"target": one.target, "verdict": one.verdict} for one in figures]
    path.write_text(json.dumps(about | {"figures": shown}, indent=1) + "\n")
