"""Several looks at the same thing: what is there stays, what is written down may be a slip.

With `t` what there is to be seen, each outcome of n as likely as any if it is a slip, and a share s
of slips, the looks that gave `o_i` weigh

    P(looks) = sum_t P(t) prod_i ((1 - s) [o_i = t] + s / n).

The first look may be a reading, or hearsay; the others are outcomes seen by who does the job.
"""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.belief.situation import Finding

Floats = NDArray[np.float64]


class Slips(NamedTuple):
    """How often what is written down says nothing.

    Attributes:
        first: share at the look that the finding tells of.
        rest: likelihood of what it tells, if that is a slip.
        own: share at each of the other looks.
        outcomes: how many there are.
    """

    first: float
    rest: float
    own: float
    outcomes: int


def all_looks(
    finding: Finding, like: Floats, slips: Slips, chance: Callable[[str], Floats]
) -> tuple[Floats, Floats]:
    """Likelihood of all looks together, and of that the part where something else is there.

    Args:
        finding: the finding, with its other looks.
        like: (..., readings) likelihood of the look that it tells of.
        slips: how often looks say nothing.
        chance: of an outcome at one look, (..., readings).
    """
    others = [*finding.others, *([finding.outcome] if finding.confirmed else [])]
    any_of = slips.own / slips.outcomes

    def if_there(outcome: str) -> float:
        return prod((1.0 - slips.own) * (other == outcome) + any_of for other in others)

    nothing = any_of ** len(others)
    mixed = np.full(like.shape, nothing)
    for outcome in dict.fromkeys(others):
        there = _true(chance(outcome), slips.own, 1.0 / slips.outcomes)
        mixed += there * (if_there(outcome) - nothing)
    told = (1.0 - slips.first) * _true(like, slips.first, slips.rest)
    any_at_all = slips.first * slips.rest
    by_luck = _true(chance(finding.outcome), slips.own, 1.0 / slips.outcomes)
    wrong = any_at_all * np.maximum(mixed - by_luck * if_there(finding.outcome), 0.0)
    return told * if_there(finding.outcome) + any_at_all * mixed, wrong


def _true(like: Floats, slips: float, rest: float) -> Floats:
    """The likelihood without its slips."""
    found: Floats = (like - slips * rest) / max(1.0 - slips, 1e-9)
    return found
