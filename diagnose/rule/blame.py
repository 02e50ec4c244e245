"""Which faults a repair is asked for: those that give what the machine does now.

A machine with a flat battery may have a dead pump as well, but nobody can tell before it cranks.
So the minutes of repairing count the faults that alone give what it shows now, as far as that is
known; what shows later is met then. A fault that is more likely there than not has to be put right
in any case.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LIKELY = 0.2
"""What the machine shows with no less than this share, of all that is not running, is met now."""

SURELY = 0.5
"""A fault more likely than this is put right whatever shows."""


def blamed(gives: NDArray[np.bool_], stopping: Floats, shows: Floats, faults: Floats) -> Floats:
    """(faults,) 1 where a fault counts, else 0.

    Args:
        gives: (results, faults) whether each alone gives each result of trying the machine; that it
            runs is first.
        stopping: (faults,) 1 where a fault alone keeps the job from being done.
        shows: (results,) chance that trying the machine now would show each.
        faults: (faults,) probability of each.
    """
    left = shows[1:]
    now = gives[1:][left >= LIKELY * left.sum()].any(axis=0)
    found: Floats = (now | ((stopping > 0.0) & (faults > SURELY))).astype(np.float64)
    return found
