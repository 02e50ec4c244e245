"""How a job's standing changes with what is done."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.rule.decide import Standing

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.rule.costs import Costs


def standing(
    costs: Costs,
    open_areas: int = 0,
    done: int = 0,
    before: int = 0,
    never: int = 0,
    repairs: int = 0,
) -> Standing:
    """Where a job stands.

    Args:
        costs: of the machine.
        open_areas: areas that stand open, as bits.
        done: tests done since the last repair, as bits.
        before: tests done before that, as bits.
        never: tests that cannot be done on this job at all, as bits.
        repairs: how many were done.
    """
    n = costs.n_tests
    barred = flags(done | never, n) | (flags(before, n) & ~costs.tests.again)
    ever = done | before
    for test, needs in enumerate(costs.tests.needs):
        if needs & ~ever:
            barred[test] = True
    return Standing(open_areas, barred, repairs)


def flags(bits: int, n: int) -> NDArray[np.bool_]:
    """(n,) the bits of a number."""
    return np.array([bool(bits >> place & 1) for place in range(n)], dtype=bool)
