"""A calendar as text by RFC 5545: all-day events that a phone's calendar shows, folded and escaped.

Lines end with CRLF and are folded at 75 octets, never within a character (3.1); text is escaped (3.3.11); an all-day event
ends before its DTEND (3.6.1). The same events give the same text.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

MOST = 75  # octets in a line


@dataclass(frozen=True, slots=True)
class Event:
    """A day of the calendar. `uid` stays the same while the event is the same; `changed` is when it last changed."""

    uid: str
    day: date
    title: str
    changed: datetime
    text: str = ""
    kind: str = ""
    days: int = 1
    link: str = ""


def feed(name: str, events: Iterable[Event], product: str = "-//Stillroom//Calendar//EN", refresh: str = "PT6H") -> str:
    """The whole calendar, events by day and uid."""
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        f"PRODID:{product}",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        f"NAME:{escaped(name)}",
        f"X-WR-CALNAME:{escaped(name)}",
        f"REFRESH-INTERVAL;VALUE=DURATION:{refresh}",
    ]
    for event in sorted(events, key=lambda one: (one.day, one.uid)):
        lines += _event(event)
    lines.append("END:VCALENDAR")
    return "".join(folded(line) for line in lines)


def _event(event: Event) -> list[str]:
    """The lines of one event."""
    lines = [
        "BEGIN:VEVENT",
        f"UID:{escaped(event.uid)}",
        f"DTSTAMP:{event.changed.astimezone(UTC):%Y%m%dT%H%M%SZ}",
        f"DTSTART;VALUE=DATE:{_day(event.day)}",
        f"DTEND;VALUE=DATE:{_day(event.day + timedelta(days=max(event.days, 1)))}",
        f"SUMMARY:{escaped(event.title)}",
        "TRANSP:TRANSPARENT",
    ]
    if event.text:
        lines.append(f"DESCRIPTION:{escaped(event.text)}")
    if event.kind:
        lines.append(f"CATEGORIES:{escaped(event.kind)}")
    if event.link:
        lines.append(f"URL:{''.join(letter for letter in event.link if letter.isprintable() and letter != ' ')}")
    return [*lines, "END:VEVENT"]


def escaped(text: str) -> str:
    """Text as a value: backslash, semicolon, comma and newline escaped; other control characters left out."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    kept = "".join(letter for letter in plain if letter in "\n\t" or (ord(letter) >= 32 and ord(letter) != 127))
    return kept.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def folded(line: str) -> str:
    """A content line with its CRLF, folded as late as possible."""
    parts, part, size = [], "", 0
    for letter in line:
        octets = len(letter.encode())
        if size + octets > MOST:
            parts.append(part)
            part, size = " ", 1
        part += letter
        size += octets
    return "\r\n".join([*parts, part]) + "\r\n"


def _day(day: date) -> str:
    """A date as four, two and two digits."""
    return f"{day.year:04}{day.month:02}{day.day:02}"
