"""What was made lately, by a digest of all that it follows from: what matters having changed, it is made again."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import Any, Generic, TypeVar

T = TypeVar("T")


class Recent(Generic[T]):
    """The `most` values that were used last."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._lock = threading.Lock()
        self._kept: OrderedDict[Any, T] = OrderedDict()

    def get(self, digest: Any, make: Callable[[], T]) -> T:
        """The value of this digest; made where it is not kept. Two callers at once may both make it: they make the same."""
        with self._lock:
            if digest in self._kept:
                self._kept.move_to_end(digest)
                return self._kept[digest]
        made = make()
        with self._lock:
            self._kept[digest] = made
            while len(self._kept) > self.most:
                self._kept.popitem(last=False)
        return made
