"""What was made lately, with a digest of all that it follows from: what matters having changed, it is made again."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, Generic, TypeVar

T = TypeVar("T")


class Recent(Generic[T]):
    """The `most` values that were used last, one of each key."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._lock = threading.Lock()
        self._kept: OrderedDict[Any, tuple[bytes, T]] = OrderedDict()

    def get(self, key: Any, make: Callable[[], T], digest: bytes = b"") -> T:
        """The value kept for the key, if it is of this digest; else it is made. Two callers at once may both make it."""
        with self._lock:
            kept = self._kept.get(key)
            if kept is not None and kept[0] == digest:
                self._kept.move_to_end(key)
                return kept[1]
        made = make()
        with self._lock:
            self._kept[key] = digest, made
            self._kept.move_to_end(key)
            while len(self._kept) > self.most:
                self._kept.popitem(last=False)
        return made
