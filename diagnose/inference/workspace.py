"""One growing workspace per thread, so that concurrent propagations never share one."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_LOCAL = threading.local()


def workspace(size: int) -> NDArray[np.float64]:
    """At least `size` doubles that belong to the calling thread until it asks again."""
    held: NDArray[np.float64] | None = getattr(_LOCAL, "held", None)
    if held is None or len(held) < size:
        held = np.empty(size, np.float64)
        _LOCAL.held = held
    return held
