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

    def __init__(
        self, most_bytes: int, size_of: Callable[[Value], int], *, growing: bool = False
    ) -> None:
        """Keep values of `most_bytes` together; the one used last stays in any case.

        Args:
            most_bytes: of all of them.
            size_of: bytes of one.
            growing: whether that may change while it is kept.
        """
        self._most = most_bytes
        self._growing = growing
        self._sizes: dict[Hashable, int] = {}
        self._total = 0
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

    def holds(self, key: Hashable) -> bool:
        """Whether a value of that key is there now."""
        with self._lock:
            return key in self._held

    def nbytes(self) -> int:
        """What is held, in bytes."""
        with self._lock:
            return self._bytes()

    def clear(self) -> None:
        """Forget everything."""
        with self._lock:
            self._held.clear()
            self._sizes.clear()
            self._total = 0

    def _keep(self, key: Hashable, value: Value) -> None:
        with self._lock:
            self._held[key] = value
            self._sizes[key] = self._size_of(value)
            self._total += self._sizes[key]
            self._bytes()
            while self._total > self._most and len(self._held) > 1:
                gone, _ = self._held.popitem(last=False)
                self._total -= self._sizes.pop(gone)

    def _bytes(self) -> int:
        """Bytes of all; measured anew where they grow."""
        if self._growing:
            self._sizes = {key: self._size_of(value) for key, value in self._held.items()}
            self._total = sum(self._sizes.values())
        return self._total
