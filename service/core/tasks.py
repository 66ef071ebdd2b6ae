"""What the computing process can be asked; plain values in, plain values out."""

from collections.abc import Callable, Sequence
from typing import Any

from service.core.buying import purchase
from service.core.buying.answers import Plan
from service.core.buying.asked import Asked
from service.core.cover import cover, lasting
from service.core.demand import outlook
from service.core.demand.planning import Books, CoverOf, History, Lasting, Quality, SeriesOutlook


def cover_of(
    history: History, books: Books, extra: Sequence[tuple[int, str, int, float]]
) -> tuple[list[CoverOf], list[CoverOf] | None]:
    """The cover of every node, and with imagined orders how it would be then."""
    return cover.cover(history, books), cover.cover(history, books, extra) if extra else None


def lasting_of(history: History, books: Books, level: float) -> tuple[list[Lasting], list[Lasting]]:
    """How long each node lasts, and the finished stock of each product."""
    return lasting.lasting(history, books, level)


def forecast_of(
    history: History, product: int, weeks: int, through: Sequence[tuple[int, float]]
) -> tuple[list[SeriesOutlook], SeriesOutlook | None, Quality | None]:
    """The outlook of a product's channels, of all of it together (with the sets it is in), and how good all forecasts were."""
    return outlook.product(history, product, weeks, through)


def quality_of(history: History) -> Quality | None:
    """How good the forecasts of the whole catalogue have been."""
    return outlook.quality(history)


def purchase_of(history: History, books: Books, asked: Asked) -> Plan:
    """What to order today, from whom, in which packs, and why."""
    return purchase.purchase(history, books, asked)


TASKS: dict[str, Callable[..., Any]] = {
    "cover": cover_of, "lasting": lasting_of, "forecast": forecast_of, "quality": quality_of, "purchase": purchase_of,
}  # fmt: skip
