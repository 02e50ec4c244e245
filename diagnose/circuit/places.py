"""What stands in the columns of a picture before the columns have a width."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from diagnose.circuit.runs import Item


class Put(NamedTuple):
    """A box in a column."""

    item: Item
    column: int
    y: float
    height: float
    lines: tuple[str, ...]


class Place(NamedTuple):
    """Where a net is named in a column."""

    net: str
    column: int
    y: float
    sign: str = ""


class Start(NamedTuple):
    """Where a wire leaves: the side of its box, and the height at which it turns off."""

    box: float
    y: float


@dataclass(slots=True)
class Link:
    """A wire from a run to others in the next column, or `within` the first column."""

    column: int
    net: str
    start: Start
    ends: list[float]
    within: bool = False
    lane: int = 0

    @property
    def span(self) -> tuple[float, float]:
        """From its highest to its lowest point."""
        return min(self.start.y, *self.ends), max(self.start.y, *self.ends)

    @property
    def channel(self) -> int:
        """Number of the column that it runs to the right of; -1 is left of all."""
        return -1 if self.within else self.column
