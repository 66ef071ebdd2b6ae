"""Heavy numbers in one child process: numpy and scipy are loaded there, never here. It takes and gives plain values.

Nothing the child does touches the database; when it fails or takes too long it is ended, and the next task starts another.
What was computed is kept by a digest of all that went in: what matters having changed, it is computed again.
"""

import hashlib
import pickle
import subprocess
import sys
import threading
from contextlib import suppress
from typing import Any

from service.actions.recent import Recent
from service.errors import Busy

IDLE_SECONDS = 120.0  # then the child ends, and its memory is free again
TASK_SECONDS = 60.0
KEPT = 64  # answers
HEADER = 8


class Failed(RuntimeError):
    """A task failed in the child: a bug, told with the child's own words."""


class Child:
    """The process, one task at a time; started when first needed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._idle: threading.Timer | None = None
        self._kept: Recent[Any] = Recent(KEPT)

    def run(self, task: str, *given: Any) -> Any:
        """The task's answer (core/tasks), from before when the same was asked; Busy when it takes too long."""
        sent = pickle.dumps((task, given), protocol=5)
        digest = hashlib.sha256(sent).digest()
        with self._lock:
            return self._kept.get(digest, lambda: self._ask(sent))

    def _ask(self, sent: bytes) -> Any:
        if self._idle is not None:
            self._idle.cancel()
        process = self._started()
        watch = threading.Timer(TASK_SECONDS, process.kill)
        watch.daemon = True
        watch.start()
        try:
            assert process.stdin is not None
            process.stdin.write(len(sent).to_bytes(HEADER, "little"))
            process.stdin.write(sent)
            process.stdin.flush()
            right, answer = pickle.loads(_frame(process))
        except (OSError, EOFError, pickle.UnpicklingError):
            self._end()
            raise Busy("the computation took too long or was ended", retry_after=5) from None
        finally:
            watch.cancel()
        self._idle = threading.Timer(IDLE_SECONDS, self.close)
        self._idle.daemon = True
        self._idle.start()
        if not right:
            raise Failed(answer)
        return answer

    def _started(self) -> "subprocess.Popen[bytes]":
        if self._process is None or self._process.poll() is not None:
            self._end()
            command = [sys.executable, "-m", "service.actions.child"]
            self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        return self._process

    def interrupt(self) -> None:
        """End what is being computed, if anything is: its caller is told that it took too long."""
        process = self._process
        if process is not None:
            process.kill()

    def close(self) -> None:
        """End the child."""
        with self._lock:
            self._end()

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        assert process.stdin is not None
        assert process.stdout is not None
        process.kill()
        process.wait()
        process.stdout.close()
        with suppress(OSError):  # what was still to be written has no reader any more
            process.stdin.close()


def _frame(process: "subprocess.Popen[bytes]") -> bytes:
    assert process.stdout is not None
    head = process.stdout.read(HEADER)
    if len(head) < HEADER:
        raise EOFError
    body = process.stdout.read(int.from_bytes(head, "little"))
    return body


CHILD = Child()
