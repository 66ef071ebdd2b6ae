"""What the values of an order export mean: days, whole units, money, words. A value that could mean two things is wrong."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from decimal import Decimal, InvalidOperation

CHANNELS = {
    "retail": ("retail", "online", "web", "shop", "online shop", "webshop", "direct"),
    "wholesale": ("wholesale", "trade", "stockist", "reseller", "b2b"),
    "market": ("market", "fair", "stall", "market day"),
}
STATES = {
    "open": ("open", "pending", "new", "unfulfilled", "processing", "on hold", "unshipped"),
    "shipped": ("shipped", "fulfilled", "complete", "completed", "delivered", "closed", "done", "sent", "paid"),
    "cancelled": ("cancelled", "canceled", "void", "voided", "refunded"),
}
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
ORDERS = ("dmy", "mdy", "ymd")
EARLIEST = date(1990, 1, 1)
MOST_UNITS = 1_000_000
MICRO = 1_000_000
CONTROL = re.compile(r"[\x00-\x1f\x7f\ud800-\udfff]")

_THREE = re.compile(r"(\d{1,4})([./-])(\d{1,2})\2(\d{1,4})(?:[ T,].*)?")
_COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})")
_DAY_FIRST = re.compile(r"(\d{1,2})[ .-]+([A-Za-z]{3})[A-Za-z]*\.?[ ,-]+(\d{4})(?:[ T,].*)?")
_MONTH_FIRST = re.compile(r"([A-Za-z]{3})[A-Za-z]*\.?[ -]+(\d{1,2}),?[ -]+(\d{4})(?:[ T,].*)?")
_OFFSET = re.compile(r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}.*(?:[Zz]|[+-]\d{2}:?\d{2})")
_NUMBER = re.compile(r"[+-]?\d[\d.,' ]*")


class Wrong(ValueError):
    """A value means nothing here, or could mean two things; the message is what is wrong with it."""


@dataclass(frozen=True, slots=True)
class Marks:
    """How a file writes its days and numbers; None: it does not show."""

    date_order: str | None = None
    decimal: str | None = None

    @classmethod
    def of(cls, values: Mapping[str, Iterable[str]], date_order: str | None, decimal: str | None, delimiter: str) -> "Marks":
        """From all of a file's values, and what the caller says."""
        days = [*values.get("placed_on", ()), *values.get("due_on", ())]
        numbers = [*values.get("units", ()), *values.get("unit_price", ())]
        return cls(date_order or shown_order(days), decimal or shown_decimal(numbers, delimiter))


def shown_order(texts: Iterable[str]) -> str | None:
    """Whether days come before months in 5/13/2026, from all such values of a file; None when they do not show it."""
    found = set()
    for text in texts:
        match = _THREE.fullmatch(text.strip())
        if match is None or len(match[1]) > 2 or match[2] == ".":
            continue
        first, second = int(match[1]), int(match[3])
        if first > 12:
            found.add("dmy")
        elif second > 12:
            found.add("mdy")
    return found.pop() if len(found) == 1 else None


def shown_decimal(texts: Iterable[str], delimiter: str) -> str | None:
    """The decimal mark of a file's numbers; None when it does not show."""
    found = set()
    for text in texts:
        signs = [sign for sign in text if sign in ".,"]
        if not signs:
            continue
        decimals = len(text.strip()) - 1 - max(text.strip().rfind("."), text.strip().rfind(","))
        if len(set(signs)) == 2 or (len(signs) == 1 and decimals != 3):
            found.add(signs[-1])
        elif len(signs) > 1:  # 1.234.567
            found.add("," if signs[0] == "." else ".")
    if len(found) == 1:
        return found.pop()
    return "," if not found and delimiter == ";" else None


def day(text: str, order: str | None, zone: tzinfo | None = None) -> date:
    """A day in a common form; a time after it is passed over, with an offset it is the zone's day."""
    try:
        found = _with_offset(text, zone) or _three(text, order) or _named(text) or _compact(text)
    except ValueError as error:
        raise error if isinstance(error, Wrong) else Wrong("is not a day of the calendar") from None
    if found is None:
        raise Wrong("is not a day: write it like 2026-03-31" if text else "is empty")
    if not EARLIEST <= found <= date(2199, 12, 31):
        raise Wrong(f"must lie between {EARLIEST} and 2199-12-31")
    return found


def _with_offset(text: str, zone: tzinfo | None) -> date | None:
    if zone is None or not _OFFSET.fullmatch(text):
        return None
    return datetime.fromisoformat(text.upper().replace("Z", "+00:00")).astimezone(zone).date()


def _three(text: str, order: str | None) -> date | None:
    match = _THREE.fullmatch(text)
    if match is None:
        return None
    one, two, three = int(match[1]), int(match[3]), int(match[4])
    if len(match[1]) == 4:
        return date(one, two, three)
    if len(match[4]) not in (2, 4) or len(match[1]) > 2:
        raise Wrong("is not a day: write it like 2026-03-31")
    if order == "ymd" and len(match[4]) == 2:
        return date(2000 + one, two, three)
    year = three if len(match[4]) == 4 else 2000 + three
    if match[2] == ".":  # 31.3.2026 is written nowhere with the month first
        return date(year, two, one)
    if one > 12 or order == "dmy" or one == two:
        return date(year, two, one)
    if two > 12 or order == "mdy":
        return date(year, one, two)
    raise Wrong("could be two days: say whether days (dmy) or months (mdy) come first with `date_order`")


def _named(text: str) -> date | None:
    match = _DAY_FIRST.fullmatch(text)
    if match is not None:
        number, name, year = int(match[1]), match[2].lower(), int(match[3])
    else:
        match = _MONTH_FIRST.fullmatch(text)
        if match is None:
            return None
        number, name, year = int(match[2]), match[1].lower(), int(match[3])
    if name not in MONTHS:
        raise Wrong("names no month in English: write it like 2026-03-31")
    return date(year, MONTHS.index(name) + 1, number)


def _compact(text: str) -> date | None:
    match = _COMPACT.fullmatch(text)
    return date(int(match[1]), int(match[2]), int(match[3])) if match else None


def number(text: str, decimal: str | None) -> Decimal:
    """A number with decimal point or comma and, where that is clear, signs between its thousands."""
    bare = text.strip(" \u00a0€$£").removesuffix("EUR").removesuffix("USD").removesuffix("GBP").strip(" \u00a0")
    if not _NUMBER.fullmatch(bare):
        raise Wrong("is not a number" if text else "is empty")
    bare = bare.replace("'", "").replace(" ", "")
    signs = [sign for sign in bare if sign in ".,"]
    mark = decimal
    if len(set(signs)) == 2:
        mark = signs[-1]
    elif len(signs) > 1:
        mark = "," if signs[0] == "." else "."
    elif len(signs) == 1 and len(bare) - 1 - bare.index(signs[0]) != 3:
        mark = signs[0]
    elif signs and mark is None:
        raise Wrong("could be two numbers: say which sign is the `decimal` one")
    other = "." if mark == "," else ","
    try:
        return Decimal(bare.replace(other, "").replace(",", "."))
    except InvalidOperation:
        raise Wrong("is not a number") from None


def units(text: str, marks: Marks) -> int:
    """Whole units from 1."""
    found = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else number(text, marks.decimal)
    if found != int(found):
        raise Wrong("must be a whole number")
    if found <= 0:
        raise Wrong("must be 1 or more: returns are not demand, record them as returns")
    if found > MOST_UNITS:
        raise Wrong(f"must be at most {MOST_UNITS}")
    return int(found)


def money(text: str, marks: Marks) -> int:
    """A price in millionths."""
    scaled = number(text, marks.decimal) * MICRO
    if scaled != int(scaled) or not 0 <= scaled <= 10**15:
        raise Wrong("must be a price of 0 or more with at most 6 decimals")
    return int(scaled)


def line_number(text: str) -> int:
    """A line's number within its order."""
    if not (text.isascii() and text.isdigit() and 1 <= int(text[:16]) < 10**15):
        raise Wrong("must be a whole number from 1")
    return int(text)


def word(text: str, known: Mapping[str, tuple[str, ...]]) -> str:
    """The word of ours that a shop's word means."""
    said = " ".join(text.casefold().replace("_", " ").replace("-", " ").split())
    for ours, theirs in known.items():
        if said in theirs:
            return ours
    if "part" in said:
        raise Wrong("is half done: enter what is still to be shipped as an open order")
    raise Wrong(f"is not one of {', '.join(known)}")


def label(text: str, longest: int) -> str | None:
    """A name without control characters and of a fair length, else None."""
    bare = text.strip()
    return bare if 0 < len(bare) <= longest and not CONTROL.search(bare) else None
