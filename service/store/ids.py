"""Ids made in the process: 63 bits, 41 of milliseconds since 2025 and 22 random, rising within a process."""

import random
import secrets
import threading
import time
from datetime import UTC, datetime

EPOCH_MS = 1_735_689_600_000  # 2025-01-01T00:00:00Z
_random = random.Random(secrets.randbits(128))  # ids are no secrets: one question to the system a process is enough
_last = 0
_lock = threading.Lock()


def new_id() -> int:
    """A time-ordered id, greater than every one this process made before."""
    global _last
    fresh = ((time.time_ns() // 1_000_000 - EPOCH_MS) << 22) | _random.getrandbits(22)
    with _lock:
        _last = fresh if fresh > _last else _last + 1
        return _last


def made_at(id_: int) -> datetime:
    """When an id was made."""
    return datetime.fromtimestamp(((id_ >> 22) + EPOCH_MS) / 1000, UTC)
