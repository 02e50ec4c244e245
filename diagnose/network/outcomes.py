"""From what is there to what gets written down: instruments, eyes and slips.

A test reads one column of a behaviour. The column's value falls into one of the test's outcomes;
the instrument's spread blurs that near a limit, an unsteady circuit gives either of two values or
is seen to come and go, and a small share of results is simply written down wrong.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.network.normal import normal_cdf

if TYPE_CHECKING:
    from diagnose.machine.model import Test

Floats = NDArray[np.float64]

UNSTEADY = "unsteady"
"""Outcome of a reading that comes and goes while it is watched."""

SEEN_UNSTEADY = 0.5
"""Chance that a reading which can change does so while it is watched. Estimate."""

FIRST_OF_TWO = 0.6
"""Share of the time that a loose joint makes contact. Estimate."""

SHAKEN_LOOSE = 0.8
"""Chance that wiggling a loose joint shows it. Estimate."""

CAUSE_FOUND = 0.85
"""Chance that looking for a shared cause (a nest, a water line) finds it when there. Estimate."""

COMPLAINT_FITS = 0.9
"""Chance that the customer's words are the ones that fit what the machine does. Estimate."""

COMPLAINT_SLIPS = 0.001
"""Chance of a complaint that the machine's state does not explain. Estimate."""

CHECK_SLIPS = 0.005
"""Chance that the functional check after a repair is taken for what it was not. Estimate."""


def spread_of(test: Test, value: Floats) -> Floats:
    """Standard deviation of a reading around a predicted value, in the test's unit."""
    found: Floats = test.spread + test.spread_percent / 100.0 * np.abs(value)
    return found


def limits_of(test: Test) -> Floats:
    """Lower bounds of the outcomes that have one, highest first, in the test's unit."""
    return np.array([o.at_least for o in test.outcomes if o.at_least is not None])


def bin_of(test: Test, value: Floats) -> NDArray[np.int64]:
    """Index of the outcome a noiseless value falls into."""
    found: NDArray[np.int64] = np.sum(value[..., None] < limits_of(test), axis=-1)
    return found


def _one_value(test: Test, value: Floats) -> Floats:
    """(..., ranked outcomes) chance of each outcome of a steady quantity."""
    spread = np.maximum(spread_of(test, value), 1e-9)
    above = normal_cdf((value[..., None] - limits_of(test)) / spread[..., None])
    edges = np.concatenate(
        [np.zeros((*value.shape, 1)), above, np.ones((*value.shape, 1))], axis=-1
    )
    return np.maximum(np.diff(edges, axis=-1), 0.0)


def _measured(test: Test, values: Floats) -> Floats:
    first, second = _one_value(test, values[..., 0]), _one_value(test, values[..., 1])
    steady = bin_of(test, values[..., 0]) == bin_of(test, values[..., 1])
    mixed = FIRST_OF_TWO * first + (1.0 - FIRST_OF_TWO) * second
    if test.outcomes[-1].id != UNSTEADY:
        return mixed
    come_and_go = np.where(steady, 0.0, SEEN_UNSTEADY)[..., None]
    return np.concatenate([mixed * (1.0 - come_and_go), come_and_go], axis=-1)


def _levels(n_outcomes: int, values: Floats) -> Floats:
    known = np.eye(n_outcomes)
    index = np.clip(values, 0, n_outcomes - 1).astype(np.int64)
    share = np.array([FIRST_OF_TWO, 1.0 - FIRST_OF_TWO])
    found: Floats = np.einsum("...vo,v->...o", known[index], share)
    return found


def _yes_no(chance: Floats) -> Floats:
    return np.stack([chance, 1.0 - chance], axis=-1)


def outcome_chances(test: Test, values: Floats) -> Floats:
    """Chance of each outcome of a test, given the two readings its column can show.

    Args:
        test: the test.
        values: (..., 2) readings, as `Behaviour.readings` gives them.

    Returns:
        (..., outcomes) probabilities, slips included; rows sum to 1.
    """
    if test.kind == "wiggle":
        chances = _yes_no(SHAKEN_LOOSE * values[..., 0])
    elif test.kind == "look" and test.parts:
        chances = _yes_no(values.mean(axis=-1))
    elif test.function is not None:
        chances = _levels(len(test.outcomes), values)
    else:
        chances = _measured(test, values)
    return with_slips(test, chances)


def cause_chances(test: Test) -> Floats:
    """(2, 2) chance of found and not found, with the cause absent and present."""
    return with_slips(test, np.array([[0.0, 1.0], [CAUSE_FOUND, 1.0 - CAUSE_FOUND]]))


def with_slips(test: Test, chances: Floats) -> Floats:
    """The same chances with the test's share of slips spread evenly over the outcomes."""
    slip = test.slip_percent / 100.0
    found: Floats = (1.0 - slip) * chances + slip / chances.shape[-1]
    return found


def complaint_chances(values: Floats) -> Floats:
    """(..., 2) chance that the complaint is made or not; value 0 where the words fit."""
    fits = 1.0 - values.mean(axis=-1)
    return _yes_no(COMPLAINT_SLIPS + (COMPLAINT_FITS - COMPLAINT_SLIPS) * fits)


def check_chances(values: Floats) -> Floats:
    """(..., 2) chance that the check after a repair shows the complaint or not.

    Args:
        values: (..., 2) readings of the complaint; 0 where the machine still does what it says.
    """
    fits = 1.0 - values.mean(axis=-1)
    return _yes_no(CHECK_SLIPS + (1.0 - 2.0 * CHECK_SLIPS) * fits)
