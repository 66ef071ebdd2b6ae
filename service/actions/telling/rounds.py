"""Rounds of watching and sending, one after the other until told to stop."""

import logging
import os
import secrets
import socket
import threading
from collections.abc import Callable
from datetime import datetime

from service.actions.telling import sending
from service.actions.telling.watch import Watch
from service.errors import Refusal
from service.settings import Settings
from service.store.writer import Reader, SyncWriter

log = logging.getLogger("stillroom")
PAUSE_SECONDS = 5.0  # between two rounds: what is due waits no longer


class Rounds:
    """What one process does in turn, in the caller's thread (`run`) or in one of its own (`start`)."""

    def __init__(self, reader: Reader, writer: SyncWriter, settings: Settings, clock: Callable[[], datetime]) -> None:
        name = f"{socket.gethostname()}-{os.getpid()}-{secrets.token_hex(3)}"
        self._stopped = threading.Event()
        self.watch = Watch(reader, writer, clock, settings.watch_seconds, name, self._stopped)
        self.reader, self.writer, self.settings, self.clock = reader, writer, settings, clock
        self._thread = threading.Thread(target=self._after_a_pause, name="rounds", daemon=True)

    def once(self) -> None:
        """One round; a database that is away for a while is asked again in the next."""
        try:
            self.watch.round()
            sending.round(self.reader, self.writer, self.settings, self.clock(), self._stopped)
        except Refusal as refused:
            log.warning("a round was not finished: %s", refused.detail)
        except Exception:  # a fault in one round must not be the last one
            log.exception("a round was not finished")

    def run(self) -> None:
        """Round after round."""
        while not self._stopped.is_set():
            self.once()
            self._stopped.wait(min(PAUSE_SECONDS, self.settings.watch_seconds))

    def _after_a_pause(self) -> None:
        """First those who start the service are served."""
        if not self._stopped.wait(min(PAUSE_SECONDS, self.settings.watch_seconds)):
            self.run()

    def start(self) -> None:
        """Begin in a thread."""
        self._thread.start()

    def stop(self, seconds: float = 0) -> None:
        """Begin no other round; wait for the end of this one for so long."""
        self._stopped.set()
        if seconds and self._thread.is_alive():
            self._thread.join(seconds)
