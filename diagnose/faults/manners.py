"""How a loose joint stands while a job goes on.

Some joints come and go from one reading to the next. Others were moved on the way to the shop and
stay as they came to rest, touching or apart, until somebody moves them: two readings of such a
joint are no two independent looks at it. Which of them it is belongs to what is wrong with the
machine; nobody sees it, and wiggling shows all of them alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.faults.outcomes import FIRST_OF_TWO, outcome_chances

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from diagnose.machine.model import Test

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

ANY, COMES_AND_GOES, TOUCHES, APART = range(4)
"""Manners by number; `ANY` stands for one that is not known, with the shares below."""

N_MANNERS = 4

STAYS = 0.5
"""Share of loose joints that stay as they are through a job. Estimate."""

SHARES = np.array([1.0 - STAYS, STAYS * FIRST_OF_TWO, STAYS * (1.0 - FIRST_OF_TWO)])
"""(3,) share of loose joints that come and go, stay touching, stay apart."""


def any_loose(loose: Bools, members: NDArray[np.integer[Any]]) -> Bools:
    """(sets,) whether a loose joint is among the faults of each.

    Args:
        loose: (faults + 1,) whether each fault is one; the last stands for none.
        members: (sets, width) faults, padded with the number that stands for none.
    """
    return np.asarray(loose[members].any(axis=1), dtype=bool)


def by_manner(of: Callable[[Floats], Floats], values: Floats) -> Floats:
    """What is made of readings in each manner.

    Args:
        of: makes (n, ...) numbers of (n, 2) readings that come and go.
        values: (n, 2) readings while loose joints touch, and while they do not.

    Returns:
        (manners, n, ...)
    """
    comes_and_goes = of(values)
    found = np.repeat(comes_and_goes[None], N_MANNERS, axis=0)
    varied = np.flatnonzero(values[:, 0] != values[:, 1])
    if len(varied):
        for manner, which in ((TOUCHES, 0), (APART, 1)):
            found[manner, varied] = of(values[varied][:, [which, which]])
        found[ANY, varied] = np.tensordot(SHARES, found[COMES_AND_GOES:, varied], 1)
    return found


def outcomes_by_manner(test: Test, values: Floats) -> Floats:
    """(manners, n, outcomes) chance of each outcome of a test; arguments as of `by_manner`.

    What is found by wiggling, or by looking, does not depend on how the joint stands.
    """
    if test.kind == "wiggle" or (test.kind == "look" and test.parts):
        return np.repeat(outcome_chances(test, values)[None], N_MANNERS, axis=0)
    return by_manner(lambda own: outcome_chances(test, own), values)


def reading_of_two(manner: int, *, apart_now: bool) -> int:
    """Which of the two readings of a circuit there is; `apart_now` where its joints come and go."""
    return {TOUCHES: 0, APART: 1}.get(manner, int(apart_now))


def first_weight(shares: Floats) -> Floats:
    """(n,) weight of the first of two readings where it is looked at once more, now or later.

    Args:
        shares: (n, 3) of the manners, as `SHARES`.
    """
    found: Floats = 0.5 * shares[:, 0] + shares[:, 1]
    return found
