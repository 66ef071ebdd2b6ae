"""A year in a small workshop, day by day: what happens, and which alerts open and close."""

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

import httpx
from contract.inprocess import House

from service.actions import access
from service.actions.telling import figures
from service.actions.telling.watch import Watch

FIRST = datetime(2031, 1, 6, 7, 0, tzinfo=UTC)  # a Monday
Cause = tuple[str, str]  # kind, subject


@dataclass
class Clock:
    """The time the service believes."""

    now: datetime = FIRST

    def __call__(self) -> datetime:
        return self.now

    def day(self, number: int, hour: int = 7) -> None:
        self.now = FIRST.replace(hour=hour) + timedelta(days=number)


@dataclass
class Year:
    """The days, the workshop's books through the API, and what the alerts did."""

    house: House
    client: httpx.Client
    clock: Clock
    number: int = 0
    opened: dict[Cause, list[int]] = field(default_factory=dict)
    closed: dict[Cause, list[int]] = field(default_factory=dict)
    alerts: dict[Cause, dict[str, Any]] = field(default_factory=dict)

    def on(self, number: int) -> str:
        """A day of the year as a date."""
        return str((FIRST + timedelta(days=number)).date())

    def post(self, path: str, **body: Any) -> dict[str, Any]:
        answer = self.client.post(f"/v1/{path}", json=body)
        assert answer.status_code in (200, 201), (self.number, path, answer.text)
        return answer.json()  # type: ignore[no-any-return]

    def patch(self, path: str, **body: Any) -> None:
        answer = self.client.patch(f"/v1/{path}", json=body)
        assert answer.status_code == 200, (self.number, path, answer.text)

    def get(self, path: str) -> Any:
        answer = self.client.get(f"/v1/{path}")
        assert answer.status_code == 200, answer.text
        return answer.json()

    def live(
        self, days: int, quiet: Collection[int], events: dict[int, list[Callable[[], Any]]], work: Callable[[], Any],
        judge: Callable[[], Any],
    ) -> None:  # fmt: skip
        """Day after day: what happens in the morning, the day's work, then a look, what it changed, and whether it is right.

        On `quiet` days nothing happens and nothing may be open: they are looked at once a week.
        """
        for self.number in range(days):
            self.clock.day(self.number)
            if self.number in quiet:
                assert not self.alerts
                assert self.number not in events
                if self.number % 7:
                    continue
            for event in events.get(self.number, ()):
                event()
            work()
            self.look()
            judge()

    def look(self) -> None:
        found = self.get("alerts?limit=200")
        assert found["as_of"] == found["forecast_as_of"] == self.on(self.number)
        now = {(one["kind"], one["subject"]): one for one in found["items"]}
        assert len(now) == len(found["items"])
        for cause in now.keys() - self.alerts.keys():
            self.opened.setdefault(cause, []).append(self.number)
        for cause in self.alerts.keys() - now.keys():
            self.closed.setdefault(cause, []).append(self.number)
        self.alerts = now

    def due(self) -> set[str]:
        """What is to be ordered or made, said alone or with a delivery that comes too late."""
        late = {
            subject for (kind, subject), one in self.alerts.items()
            if kind == "runs-out-before-delivery" and one["facts"]["order_by"]
        }  # fmt: skip
        return late | {subject for kind, subject in self.alerts if kind == "order-now"}

    def figures(self) -> dict[str, dict[str, date | None]]:
        """What the forecast said at the last look."""
        door = self.house.app.state.door
        watch = Watch(door.reader, door.waiting, self.clock, 300, "test")
        [workshop] = door.reader.read(access.list_workshops)
        found: dict[str, dict[str, date | None]] = door.reader.read(lambda c: figures.figures(watch._scope(c, workshop)))
        return found
