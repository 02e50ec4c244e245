"""From what is there to what gets written down: instruments, eyes and slips.

A test reads one column of a behaviour. The column's value falls into one of the test's outcomes;
the instrument's spread blurs that near a limit, an unsteady circuit gives either of two values or
is seen to come and go, and a small share of results is simply written down wrong.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator"

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from diagnose.compiled import njit
from diagnose.machine.model import NOT_POSSIBLE

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Test

Floats = NDArray[np.float64]

INSPECT = "inspect"
"""Kind of test that looks into parts for some of their modes."""

TRY = "try"
"""Kind of test that tries the machine."""

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

FITS, AMISS, WORKS = 0.0, 1.0, 2.0
"""What a complaint's observable shows: the machine does what it says; something else; it works."""

CANNOT = -1e6
"""What the observable of a test shows in whose condition the machine does not get."""

NO_REASON = 0.001
"""Chance of a complaint about a machine that works. Estimate."""

CHECK_SLIPS = 0.005
"""Chance that trying the machine after a repair is taken for what it was not. Estimate."""


class Wording(NamedTuple):
    """How far a customer's words can be trusted.

    Attributes:
        right: chance of these words where the machine does what they say.
        wrong: the same where it does something else.
    """

    right: float
    wrong: float


def wording(machine: Machine, complaint: str) -> Wording:
    """Of one complaint; who does not find the right words takes any of the others."""
    right = machine.complaints[complaint].words_fit_percent / 100.0
    return Wording(right, (1.0 - right) / max(len(machine.complaints) - 1, 1))


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


@njit(nogil=True)
def _measured(values, limits, spread, spread_percent, cannot, unsteady, found):
    """Chances of the outcomes of a measured quantity; see `outcome_chances`.

    Args:
        values: (readings, 2) the two values it can have.
        limits: (limits,) lower bounds of the outcomes that have one, highest first.
        spread: of the instrument, in the test's unit.
        spread_percent: a further part of it, in percent of the value.
        cannot: whether the outcome after the ranges is that the test cannot be done.
        unsteady: whether the last outcome is that it comes and goes.
        found: (readings, outcomes) result.
    """
    n = limits.shape[0] + 1
    for row in range(values.shape[0]):
        first, second = 0, 0
        for which in range(2):
            value = values[row, which]
            share = FIRST_OF_TWO if which == 0 else 1.0 - FIRST_OF_TWO
            if cannot and value <= CANNOT:
                found[row, n] += share
                if which == 0:
                    first = -1
                else:
                    second = -1
                continue
            wide = max(spread + spread_percent / 100.0 * abs(value), 1e-9) * math.sqrt(2.0)
            below = 0.0
            for o in range(n):
                above = 1.0
                if o < n - 1:
                    above = 0.5 * math.erfc((limits[o] - value) / wide)
                    if which == 0:
                        first += value < limits[o]
                    else:
                        second += value < limits[o]
                found[row, o] += share * max(above - below, 0.0)
                below = above
        if unsteady:
            come_and_go = 0.0 if first == second else SEEN_UNSTEADY
            last = found.shape[1] - 1
            for o in range(last):
                found[row, o] *= 1.0 - come_and_go
            found[row, last] = come_and_go


def _levels(n_outcomes: int, values: Floats) -> Floats:
    index = np.where(values <= CANNOT, n_outcomes - 1, np.clip(values, 0, n_outcomes - 1))
    index = index.astype(np.int64)
    found = np.zeros((len(values), n_outcomes))
    rows = np.arange(len(values))
    found[rows, index[:, 0]] += FIRST_OF_TWO
    found[rows, index[:, 1]] += 1.0 - FIRST_OF_TWO
    return found


def _yes_no(chance: Floats) -> Floats:
    return np.stack([chance, 1.0 - chance], axis=-1)


def outcome_chances(test: Test, values: Floats) -> Floats:
    """Chance of each outcome of a test, given the two readings its column can show.

    Args:
        test: the test.
        values: (..., 2) what is there, as `Behaviour.readings` gives it.

    Returns:
        (..., outcomes) probabilities, slips included; rows sum to 1.
    """
    every = np.ascontiguousarray(values, dtype=np.float64).reshape(-1, 2)
    cannot = any(outcome.id == NOT_POSSIBLE for outcome in test.outcomes)
    if test.kind == "wiggle":
        chances = _yes_no(SHAKEN_LOOSE * every[:, 0])
    elif test.kind == "look" and test.parts:
        chances = _yes_no(every.mean(axis=-1))
    elif test.kind == INSPECT:
        fault, barred = every == 1.0, every <= CANNOT
        each = np.stack([fault, ~fault & ~barred, barred], axis=-1)
        whole = FIRST_OF_TWO * each[:, 0] + (1.0 - FIRST_OF_TWO) * each[:, 1]
        chances = whole[:, : len(test.outcomes)]
    elif test.function is not None or test.kind == TRY:
        chances = _levels(len(test.outcomes), every)
    else:
        chances = np.zeros((len(every), len(test.outcomes)))
        unsteady = test.outcomes[-1].id == UNSTEADY
        _measured(
            every, limits_of(test), test.spread, test.spread_percent, cannot, unsteady, chances
        )
    return with_slips(test, chances).reshape(*values.shape[:-1], len(test.outcomes))


def cause_chances(test: Test) -> Floats:
    """(2, 2) chance of found and not found, with the cause absent and present."""
    return with_slips(test, np.array([[0.0, 1.0], [CAUSE_FOUND, 1.0 - CAUSE_FOUND]]))


def with_slips(test: Test, chances: Floats) -> Floats:
    """The same chances with the test's share of slips spread evenly over the outcomes."""
    slip = test.slip_percent / 100.0
    found: Floats = (1.0 - slip) * chances + slip / chances.shape[-1]
    return found


def complaint_chances(values: Floats, words: Wording) -> Floats:
    """(..., 2) chance that the complaint is made or not.

    Args:
        values: (..., 2) readings of the complaint.
        words: how far it can be trusted.
    """
    said = np.where(values == FITS, words.right, np.where(values == AMISS, words.wrong, NO_REASON))
    return _yes_no(said.mean(axis=-1))
