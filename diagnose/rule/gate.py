"""Which tests come into question: the rule, on plain arrays.

Tests are ranked by what they tell for each minute they add to the job. The minutes of opening an
area count only as far as the repair will not have to open it anyway (cost clusters, Ottosen &
Jensen 2010). In question is what is worth its minutes: doing it and then repairing beats repairing
now, and its rate is no less than `least_bits_per_minute`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.sums import by_row, mixed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MINIMUM_GAIN_BITS = 1e-6
"""Below this a test tells nothing; differences are rounding."""

LEAST_MINUTES = 0.01
"""A test that takes no time at all counts as if it took this, so that rates stay finite."""


def chance_opened(blame: Floats, fault_way: Floats) -> Floats:
    """(areas,) chance that the repair will have to open each area.

    Args:
        blame: (faults,) chance that each is what gives the complaint.
        fault_way: (faults, areas) 1 where repairing the fault takes that area open.
    """
    found: Floats = np.minimum(mixed(blame, fault_way), 1.0)
    return found


def added_minutes(minutes: Floats, opening: Floats, opened: Floats) -> Floats:
    """(tests,) what each test costs more than the repair will take anyway.

    Args:
        minutes: (tests,) of each, opening included.
        opening: (tests, areas) minutes to open each area for each test.
        opened: (areas,) from `chance_opened`.
    """
    found: Floats = minutes - by_row(opening, opened)
    return found


def bits_per_minute(gain_bits: Floats, minutes: Floats) -> Floats:
    """(tests,) what each tells per minute."""
    found: Floats = gain_bits / np.maximum(minutes, LEAST_MINUTES)
    return found


def doubt_bits(blame: Floats) -> float:
    """Entropy of what gives the complaint, nothing known included, bits.

    Args:
        blame: (faults,) chance that each is what gives the complaint; the rest to 1 is that none
            of them is.
    """
    shares = np.append(blame, max(1.0 - float(blame.sum()), 0.0))
    return float(-np.sum(shares * np.log2(np.where(shares > 0.0, shares, 1.0))))


def least_bits_per_minute(
    blame: Floats, ends: float, repair_minutes: float, *, new_part: bool
) -> float:
    """The rate below which trying the first repair is quicker than finding out by testing.

    A repair that ends the complaint with probability p costs, for each time it does, c (1 - p) / p
    minutes of work in vain. Testing on at a rate of r bits per minute takes H / r minutes to remove
    the doubt of H bits about what gives the complaint. The rate at which both are the same is
    H p / (c (1 - p)). It holds for cleaning, tightening, charging and the like; no new part goes in
    on a guess while a test is worth its minutes, so there it is 0.

    Args:
        blame: (faults,) chance that each is what gives the complaint.
        ends: p, chance that the first repair ends the complaint.
        repair_minutes: c, of that repair, opening and check included.
        new_part: whether it fits a new part.
    """
    if new_part:
        return 0.0
    in_vain = repair_minutes * (1.0 - ends)
    return doubt_bits(blame) * ends / max(in_vain, 1e-9)
