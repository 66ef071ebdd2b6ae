"""Forecasts and covers in plain words."""

from collections.abc import Sequence
from datetime import date, timedelta

from service.core.demand.planning import Quality


def said_day(day: date, today: date) -> str:
    """A day as one says it; with its year when it is far."""
    text = f"{day.day} {day.strftime('%B')}"
    return text if abs((day - today).days) < 300 else f"{text} {day.year}"


def lasts(name: str, days: Sequence[int | None], order_by: int | None, today: date, sight: int, needed: bool) -> str:
    """Until when a material lasts, between when and when, and by when to order it."""
    early, likely, late = (None if day is None else today + timedelta(days=day) for day in days)
    until = said_day(today + timedelta(days=sight), today)
    if not needed:
        return f"{name} is not needed by anything that sells."
    if late is not None and late <= today:
        return f"{name} has run out: order it now."
    if likely is None:
        maybe = f", though it may run out from {said_day(early, today)}" if early is not None else ""
        return f"{name} lasts beyond {until}{maybe}{_order(order_by, today)}."
    begin = said_day(early, today) if early is not None else "today"
    end = said_day(late, today) if late is not None else f"some day after {until}"
    if begin == end:
        return f"{name} lasts until {said_day(likely, today)}{_order(order_by, today)}."
    return f"{name} lasts until about {said_day(likely, today)}, between {begin} and {end}{_order(order_by, today)}."


def _order(order_by: int | None, today: date) -> str:
    if order_by is None:
        return ""
    day = today + timedelta(days=order_by)
    if order_by < 0:
        return f"; order it now, it should have been ordered by {said_day(day, today)}"
    return f"; order by {said_day(day, today)}" if order_by else "; order it today"


def how_good(quality: Quality | None, of: str) -> str:
    """How past forecasts turned out."""
    if quality is None:
        return f"There is too little history to say how good {of} have been."
    percent = round(100 * (1 - quality.ratio))
    better = f"{percent} % better than" if percent > 0 else f"{-percent} % worse than" if percent < 0 else "as good as"
    return (
        f"Over {quality.spans} past spans of four weeks, {of} were {better} repeating the four weeks before; "
        f"{round(100 * quality.inside)} % of what came lay between the 10 % and 90 % lines (80 % should)."
    )
