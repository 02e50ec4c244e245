"""Before handing over: whether testing on is worth more than it seems test by test.

One test alone may not be worth its minutes against handing over where several of them would find
the fault: none of them leads to a repair by itself. If the fault were known, the job would take
`known` minutes more. Removing H bits of doubt at r bits per minute takes H / r minutes, and more
than that, because the best tests are used up first. So testing goes on while

    known + PATIENCE * H / r < minutes of handing over.

Then comes the last look. The belief takes every reading for independent of the others, so late in
a job its small chances are too small: three good readings on a loose joint that just makes contact
are hardly more than one. What could be found here and is given away is met again by others, at
their price. So a test is done before handing over already when `LAST_LOOK` times what it saves is
more than its minutes; of several the one with which that is most.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.sums import inner

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LAST_LOOK = 5.0
"""So many times too small are the chances of what is about to be given away. Estimate."""

LEAST_SAVED = 1e-6
"""Minutes saved below this are rounding."""

PATIENCE = 3.0
"""Bits late in a job cost more minutes than those to be had now. On the shipped machines 1, 2 and 3
find the same faults; 3 does the fewest tests in vain."""


def minutes_if_known(
    blame: Floats, fixes: NDArray[np.int8], repair_minutes: Floats, hand_over_minutes: float
) -> float:
    """Expected minutes to the end of the job if what gives the complaint were known now.

    Args:
        blame: (faults,) chance that each is what gives the complaint; the rest to 1 is handed over.
        fixes: (repairs, faults) 1 where the repair fixes the fault.
        repair_minutes: (repairs,) of each, opening and check included.
        hand_over_minutes: handing over; what no repair fixes is handed over.
    """
    costs = np.where(fixes.astype(bool), repair_minutes[:, None], np.inf)
    least = costs.min(axis=0, initial=np.inf)
    least = np.where(np.isfinite(least), least, hand_over_minutes)
    return inner(blame, least) + max(1.0 - float(blame.sum()), 0.0) * hand_over_minutes


def worth_testing_on(known: float, doubt_bits: float, rate: float, handed_over: float) -> bool:
    """Whether to go on testing instead of handing over.

    Args:
        known: minutes, from `minutes_if_known`.
        doubt_bits: entropy of what gives the complaint.
        rate: bits per added minute of the best test left; 0 for none.
        handed_over: minutes of handing over now.
    """
    return rate > 0.0 and known + PATIENCE * doubt_bits / rate < handed_over - 1e-9


def last_look(minutes: Floats, saved: Floats, times: float = LAST_LOOK) -> int:
    """Which test to do before handing over, -1 for none.

    Args:
        minutes: (tests,) of each, opening included.
        saved: (tests,) minutes that knowing its outcome saves against handing over now.
        times: what is saved counts so many times.
    """
    net = times * saved - minutes
    able = (saved > LEAST_SAVED) & (net > 0.0)
    return int(np.argmax(np.where(able, net, -np.inf))) if able.any() else -1
