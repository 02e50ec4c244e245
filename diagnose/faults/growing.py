"""An array that rows are added to, without copying what is there every time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

ROOM = 1.25
"""So many times the rows it needs is room made for, when it has to move."""


class Growing:
    """Rows that stay where they are; what was handed out before does not change.

    Attributes:
        now: (rows, ...) all rows so far: a view that stays valid.
    """

    def __init__(self, rows: NDArray[Any]) -> None:
        """Begin with some rows, in the order (of memory) that they have."""
        self._order = "F" if rows.ndim > 1 and not rows.flags.c_contiguous else "C"
        self._held = rows
        self.now = rows

    def append(self, rows: NDArray[Any], filler: float = 0) -> NDArray[Any]:
        """Add rows and give all of them.

        Args:
            rows: (more, ...) of the same kind; wider ones make all others wider.
            filler: what the others are made wider with.
        """
        count, needed = len(self.now), len(self.now) + len(rows)
        shape = np.maximum(self.now.shape[1:], rows.shape[1:])
        if needed > len(self._held) or tuple(shape) != self.now.shape[1:]:
            order: Any = self._order
            moved = np.empty((int(needed * ROOM), *shape), self.now.dtype, order=order)
            _lay(moved[:count], self.now, filler)
            self._held = moved
        _lay(self._held[count:needed], rows, filler)
        self.now = self._held[:needed]
        return self.now


def _lay(into: NDArray[Any], rows: NDArray[Any], filler: float) -> None:
    if rows.ndim > 1:
        into[:, rows.shape[1] :] = filler
        into[:, : rows.shape[1]] = rows
    else:
        into[:] = rows
