"""Clients in a process of their own, on the other core: a thread and a kept connection each."""

import multiprocessing
import os
import threading
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any, Self

from api_tests.bench.wire import Wire


@dataclass(slots=True)
class Load:
    """What became of every request: statuses, seconds each, and seconds in all."""

    statuses: list[int]
    seconds: list[float]
    wall: float

    @property
    def failed(self) -> int:
        return sum(status >= 300 for status in self.statuses)

    @property
    def rate(self) -> float:
        """Answers a second."""
        return len(self.seconds) / self.wall


class Callers:
    """`ask` sends one list of requests a client, all clients at once; `begin` and `end` do it in two steps."""

    def __init__(self, port: int, cores: set[int]) -> None:
        there = multiprocessing.get_context("spawn")
        self._pipe, other = there.Pipe()
        self._process = there.Process(target=_serve, args=(other, port, cores), daemon=True)
        self._process.start()
        other.close()
        assert self._pipe.recv() == "here"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: Any) -> None:
        self._pipe.close()
        self._process.join(10)
        if self._process.is_alive():
            self._process.kill()

    def ask(self, *lists: list[bytes]) -> Load:
        self.begin(*lists)
        return self.end()

    def begin(self, *lists: list[bytes], for_seconds: float | None = None) -> None:
        """Start; with `for_seconds` each client goes round its list until then."""
        self._pipe.send((lists, for_seconds))

    def end(self, seconds: float = 600) -> Load:
        assert self._pipe.poll(seconds), "the clients did not come back"
        return Load(*self._pipe.recv())


def _serve(pipe: Connection, port: int, cores: set[int]) -> None:
    os.sched_setaffinity(0, cores)
    pipe.send("here")
    wires: list[Wire] = []
    while True:
        try:
            lists, for_seconds = pipe.recv()
        except EOFError:
            return
        while len(wires) < len(lists):
            wires.append(Wire(port))
        pipe.send(_all(wires, lists, for_seconds))


def _all(wires: list[Wire], lists: tuple[list[bytes], ...], for_seconds: float | None) -> tuple[list[int], list[float], float]:
    statuses: list[list[int]] = [[] for _ in lists]
    seconds: list[list[float]] = [[] for _ in lists]
    threads = [
        threading.Thread(target=_one, args=(wires[n], lists[n], for_seconds, statuses[n], seconds[n])) for n in range(len(lists))
    ]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    wall = time.perf_counter() - began
    return sum(statuses, []), sum(seconds, []), wall  # noqa: RUF017


def _one(wire: Wire, messages: list[bytes], for_seconds: float | None, statuses: list[int], seconds: list[float]) -> None:
    until = None if for_seconds is None else time.perf_counter() + for_seconds
    while True:
        for message in messages:
            began = time.perf_counter()
            try:
                status, _ = wire.ask(message)
            except OSError:
                status = 599
            seconds.append(time.perf_counter() - began)
            statuses.append(status)
            if status == 599 or (until is not None and time.perf_counter() > until):
                return
        if until is None:
            return
