"""Things kept in memory: found by content, bounded in bytes, the longest unused go first."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable

Value = TypeVar("Value")


class Kept(Generic[Value]):
    """A store of values that are worked out once for each key."""

    def __init__(self, most_bytes: int, size_of: Callable[[Value], int]) -> None:
        """Keep values of `most_bytes` together; the one used last stays in any case."""
        self._most = most_bytes
        self._size_of = size_of
        self._held: OrderedDict[Hashable, Value] = OrderedDict()
        self._making: dict[Hashable, threading.Lock] = {}
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], Value]) -> Value:
        """The value of a key; who asks for it while it is being worked out waits for it."""
        with self._lock:
            if key in self._held:
                self._held.move_to_end(key)
                return self._held[key]
            making = self._making.setdefault(key, threading.Lock())
        with making:
            with self._lock:
                if key in self._held:
                    return self._held[key]
            try:
                value = make()
                self._keep(key, value)
            finally:
                with self._lock:
                    self._making.pop(key, None)
            return value

    def nbytes(self) -> int:
        """What is held, in bytes."""
        with self._lock:
            return sum(map(self._size_of, self._held.values()))

    def clear(self) -> None:
        """Forget everything."""
        with self._lock:
            self._held.clear()

    def _keep(self, key: Hashable, value: Value) -> None:
        with self._lock:
            self._held[key] = value
            held = sum(map(self._size_of, self._held.values()))
            while held > self._most and len(self._held) > 1:
                _, gone = self._held.popitem(last=False)
                held -= self._size_of(gone)
