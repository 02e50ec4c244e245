"""A value that rides along to a cached function without being part of its key."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, TypeVar

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True, eq=False)
class Unkeyed(Generic[Value]):
    """Equal to every other one, so `lru_cache` looks at the other arguments only.

    Attributes:
        value: what the function needs when it has to work the answer out.
    """

    value: Value

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Unkeyed)

    def __hash__(self) -> int:
        return 0
