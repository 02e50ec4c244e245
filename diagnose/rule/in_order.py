"""How far the rule believes that nothing is wrong with a machine that somebody complained about.

A joint that touches while nobody moves it reads good at every point, as often as one likes, and a
belief that has seen nothing but good readings leans on two estimates: how many joints stay as they
are, and how many customers complain of nothing. Who complained saw something: until the machine was
put right, the rule counts with no more than `MOST_IN_ORDER` for a machine in order. And while a
machine may well be in order, it counts on what is loose to read as on a good one: only moving it
tells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.belief.survey import Survey

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int32]

MOST_IN_ORDER = 0.5
"""Half of those who bring a machine that shows nothing have seen a fault all the same. Estimate."""

MAY_RUN = 0.2
"""A machine that is in order with this chance runs just now; else it would have been seen."""


@dataclass(frozen=True, slots=True, eq=False)
class Counting:
    """What is counted with.

    Attributes:
        explains: (faults,) 1 where the fault counts.
        hides: (faults,) share of the time that the machine runs with each.
        moving: (tests,) whether each moves what may be loose; None: all do.
        most: probability that nothing is wrong, at most; 1: as much as is believed.
    """

    explains: Floats
    hides: Floats
    moving: NDArray[np.bool_] | None
    most: float


def at_his_word(survey: Survey, by: Counting) -> Survey:
    """What is to be expected of a machine that somebody complained about.

    Where that is another thing than what is believed, bits are those about what is to blame.
    """
    if survey.in_order <= MAY_RUN or by.most >= 1.0:
        return survey
    most = min(by.most, survey.in_order)
    grown = (1.0 - most) / max(1.0 - survey.in_order, 1e-12)
    joint = survey.joint * by.explains
    amiss = np.maximum(survey.chance - survey.fine, 0.0)
    if by.moving is not None:
        steady = np.repeat(~by.moving, np.diff(survey.start))
        loose = (by.hides > 0.0) & (by.hides < 1.0) & (by.explains > 0.0)
        cells = np.ix_(steady, loose)
        as_good = survey.fine[steady][:, None] / survey.in_order * survey.faults[loose]
        amiss[steady] += (as_good - joint[cells]).sum(axis=1)
        joint[cells] = as_good
    joint, amiss = joint * grown, np.maximum(amiss, 0.0) * grown
    fine = survey.fine * (most / survey.in_order)
    return survey._replace(
        chance=amiss + fine,
        gain_bits=bits_about_blame(survey.start, amiss + fine, fine, joint),
        fine=fine,
        faults=survey.faults * grown,
        joint=joint,
        in_order=most,
    )


def bits_about_blame(start: Ints, chance: Floats, fine: Floats, joint: Floats) -> Floats:
    """(tests,) what each test tells about which fault is to blame, or that none is.

    Args:
        start: (tests + 1,) first outcome of each test.
        chance: (outcomes,) probability of each outcome.
        fine: (outcomes,) probability that the machine is in order, together with each.
        joint: (outcomes, faults) probability of each fault that counts, together with each.
    """
    whole = np.maximum(joint.sum(axis=1), chance - fine)
    shares = joint * ((chance - fine) / np.maximum(whole, 1e-300))[:, None]
    rest = np.maximum(chance - fine - shares.sum(axis=1), 0.0)
    table = np.column_stack([shares, fine, rest])
    first = start[:-1]
    of_class = np.repeat(np.add.reduceat(table, first, axis=0), np.diff(start), axis=0)
    independent = np.maximum(of_class * chance[:, None], 1e-300)
    bits = table * np.log2(np.maximum(table, 1e-300) / independent)
    found: Floats = np.maximum(np.add.reduceat(bits.sum(axis=1), first), 0.0)
    return found
