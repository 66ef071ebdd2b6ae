"""Forecasts and covers in plain words."""

from collections.abc import Sequence
from datetime import date, timedelta

from service.core.demand.planning import Quality

FAR = 2.0  # times the error of repeating the weeks before


def said_day(day: date, today: date) -> str:
    """A day as one says it; with its year when it is far."""
    text = f"{day.day} {day.strftime('%B')}"
    return text if abs((day - today).days) < 300 else f"{text} {day.year}"


def lasts(
    name: str, days: Sequence[int | None], order_by: int | None, today: date, sight: int, needed: bool, made: bool = False,
    kept: bool = True, is_awaited: bool = False,
) -> str:  # fmt: skip
    """Until when a material lasts, between when and when, and by when to order it.

    `made`: it is bulk, which is not ordered but made. Not `kept`: there is none, it is made when it is needed.
    `is_awaited`: more is on order, of which `awaited` speaks.
    """
    until = said_day(today + timedelta(days=sight), today)
    if not needed:
        return f"{name} is not needed by anything expected to sell by {until}."
    early, likely, late = (None if day is None else today + timedelta(days=day) for day in days)
    act = _order(None if is_awaited else order_by, today, "make it" if made else "order it")
    begins, ends = (f"{name} lasts", "until") if kept else (f"No {name} is kept: a batch is needed", "on")
    if late is not None and late <= today:
        now = f"{name} has run out" if kept else f"No {name} is kept, and it is needed"
        return f"{now}." if is_awaited else f"{now}: {'make' if made else 'order'} it now."
    if likely is None:
        maybe = f", though it may {'run out' if kept else 'be needed'} from {said_day(early, today)}" if early is not None else ""
        return f"{begins} {'beyond' if kept else 'after'} {until}{maybe}{act}."
    if early == late:
        return f"{begins} {ends} {said_day(likely, today)}{act}."
    return f"{begins} {'until about' if kept else 'about'} {said_day(likely, today)}, {between(days, today, sight)}{act}."


def between(days: Sequence[int | None], today: date, sight: int) -> str:
    """The early and the late day by which a material runs out."""
    early, _, late = (None if day is None else said_day(today + timedelta(days=day), today) for day in days)
    return f"between {early} and {late or f'some day after {said_day(today + timedelta(days=sight), today)}'}"


def stretch(days: Sequence[int | None], today: date, sight: int) -> str:
    """Between when and when a material runs out, however far that is within sight."""
    early, likely, _ = days
    if early is None:
        return f"it lasts beyond {said_day(today + timedelta(days=sight), today)}"
    if likely is None:
        return f"it may run out from {said_day(today + timedelta(days=early), today)}"
    return between(days, today, sight)


def awaited(
    what: str, expected: str, likely: tuple[int | None, int | None], order_by: int | None, today: date, sight: int
) -> str:  # fmt: skip
    """What is on order, until when it lasts with that, and by when to order more. `likely`: the day without and with it."""
    more = _order(order_by, today, "order more")
    without, with_it = likely
    if with_it is not None and with_it == without:
        return f"{what} on order, expected {expected}, may come too late{more}."
    until = f"until about {said_day(today + timedelta(days=with_it), today)}" if with_it is not None else (
        f"beyond {said_day(today + timedelta(days=sight), today)}")  # fmt: skip
    return f"With {what} on order, expected {expected}, it lasts {until}{more}."


def _order(order_by: int | None, today: date, act: str) -> str:
    if order_by is None:
        return ""
    day = said_day(today + timedelta(days=order_by), today)
    if order_by < 0:
        return f"; {act} now, it should have been {'made' if act == 'make it' else 'ordered'} by {day}"
    if not order_by:
        return f"; {act} today"
    return f"; {'order' if act == 'order it' else act} by {day}"


def how_good(quality: Quality | None, of: str) -> str:
    """How past forecasts turned out."""
    if quality is None:
        return f"There is too little history to say how good {of} have been."
    percent = round(100 * (1 - quality.ratio)) if quality.ratio < FAR else 0
    better = f"{percent} % better than" if percent > 0 else f"{-percent} % worse than" if percent < 0 else "as good as"
    if quality.ratio >= FAR:
        better = "far worse than"  # of what hardly ever changes: no number says more
    return (
        f"Over {quality.spans} past spans of four weeks, {of} were {better} repeating the four weeks before; "
        f"{round(100 * quality.inside)} % of what came lay between the 10 % and 90 % lines (80 % should)."
    )
