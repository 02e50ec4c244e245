"""What the technician, his instruments and the customer make of a machine.

Each thing is here twice: as chance of what gets written down, and as a draw of it. Readings come
in pairs (see `tests.referees.bench`): how it is while loose joints touch, and while they do not;
what the machine does not get far enough for is not a number.
The numbers are written out here on purpose and not taken from the engine; all are estimates.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Test

COMES_AND_GOES = "unsteady"
"""Written down when a reading changes while it is watched."""
CANNOT_BE_DONE = "not_possible"
"""Written down when the machine does not get as far as the test."""
CHANGES_WHILE_WATCHED = 0.5
"""Chance that what can change does so in the time one looks."""
TOUCHING = 0.6
"""Share of the time a loose joint touches."""
LEFT_ALONE = {"comes and goes": 0.5, "touching": 0.3, "apart": 0.2}
"""How a loose joint stands from one look to the next, for as long as the job lasts. Every other one
is as it likes at each look. The others were moved when the machine was brought in and stay as they
came to rest; three of those touch for two that do not."""
A_NUMBER_KEPT_STILL = False
"""Whether a number, like an outcome, is only written down when the reading was not seen to change.
The engine takes a number to say nothing about that, so it is so here as well."""
SHOWN_BY_WIGGLING = 0.8
"""Chance that a loose joint shows when it is moved."""
CAUSE_SEEN = 0.85
"""Chance that a nest, a water line or the like is seen when it is there."""
NO_REASON = 0.001
"""Chance that the customer complains of a machine with nothing wrong."""
TRIED_WRONG = 0.005
"""Chance that what trying the machine after a repair shows is taken for anything at all."""
NARROWEST_OHMS, WIDEST_OHMS = 0.05, 1e4
"""Below, the leads decide what an ohmmeter shows; above, everything is open."""
OHMS_AGREE = 0.05
"""An ohmmeter is never better than this share of its reading, nor worse than all of it."""

LOAD_TEST_LIMITS = {-18: 8.5, -12: 8.7, -7: 8.9, -1: 9.1, 4: 9.3, 10: 9.4, 16: 9.5, 20: 9.6}
"""Volts that a good 12 V battery holds under the load tester, by degrees Celsius (makers'
manuals); colder and warmer as the last of them."""
REST_VOLTS_FALL = 0.0013
"""Rested volts of a 12 V battery, per kelvin below 20 degrees Celsius. From memory."""


def _limits(test: Test) -> np.ndarray:
    return np.array([o.at_least for o in test.outcomes if o.at_least is not None])


def _spread(test: Test, value: np.ndarray) -> np.ndarray:
    return test.spread + test.spread_percent / 100.0 * np.abs(value)


def _place(test: Test, value: np.ndarray) -> np.ndarray:
    """Which outcome a value belongs to, the highest first; the last where there is none."""
    limits = _limits(test)
    place = len(limits) - np.searchsorted(limits[::-1], value, side="right")
    return np.where(np.isnan(value), len(limits) + 1, place)


def _can_change(test: Test) -> bool:
    return any(o.id == COMES_AND_GOES for o in test.outcomes)


def _may_fail(test: Test) -> bool:
    return any(o.id == CANNOT_BE_DONE for o in test.outcomes)


def is_measured(test: Test) -> bool:
    """Whether an instrument puts a quantity into ranges."""
    return test.kind in {"volts", "drop", "lamp", "amps", "ohms", "load_test"}


def _blurred(test: Test, value: np.ndarray) -> np.ndarray:
    """(rows, ranges) chance that a reading around a value falls into each range.

    One more column where the test may turn out not to be possible.
    """
    limits, there = _limits(test), ~np.isnan(value)
    value = np.where(there, value, 0.0)
    spread = np.maximum(_spread(test, value), 1e-9)
    below = [ndtr((limit - value) / spread) for limit in limits]
    edges = [np.ones_like(value), *below, np.zeros_like(value)]
    ranges = [(high - low) * there for high, low in pairwise(edges)]
    return np.stack([*ranges, 1.0 - there] if _may_fail(test) else ranges, axis=1)


def as_it_stands(test: Test | None, values: np.ndarray, loose: np.ndarray) -> list[np.ndarray]:
    """(rows, 2) readings for each way in which loose joints stand, in the order of `LEFT_ALONE`.

    Args:
        test: what is done; moving a joint, or looking at a part, shows the same in each. None:
            trying the machine.
        values: (rows, 2) while loose joints touch, and while they do not.
        loose: (rows,) whether a loose joint is among the faults; without one it is the circuit
            that changes by itself.
    """
    if test is not None and (test.kind == "wiggle" or (test.kind == "look" and test.parts)):
        return [values] * len(LEFT_ALONE)
    stays = [np.where(loose[:, None], values[:, [k, k]], values) for k in (0, 1)]
    return [values, *stays]


def outcome_chances(test: Test, values: np.ndarray) -> np.ndarray:
    """(rows, outcomes) chance of what gets written down.

    Args:
        test: not one that looks for a shared cause.
        values: (rows, 2) its readings.
    """
    n = len(test.outcomes)
    touching, apart = values[:, 0], values[:, 1]
    if is_measured(test):
        seen = TOUCHING * _blurred(test, touching) + (1 - TOUCHING) * _blurred(test, apart)
        if _can_change(test):
            moves = _place(test, touching) != _place(test, apart)
            caught = CHANGES_WHILE_WATCHED * moves[:, None]
            seen = np.hstack([seen * (1 - caught), caught])
    elif test.kind == "wiggle":
        shown = SHOWN_BY_WIGGLING * touching
        seen = np.stack([shown, 1 - shown], axis=1)
    elif test.kind == "inspect":
        each = [values == 1.0, values == 0.0, np.isnan(values)][:n]
        seen = np.stack([TOUCHING * e[:, 0] + (1 - TOUCHING) * e[:, 1] for e in each], axis=1)
    elif test.function is not None or test.kind == "try":
        levels = np.arange(n)
        touching, apart = np.where(np.isnan(values), n - 1, values).T
        seen = TOUCHING * (touching[:, None] == levels) + (1 - TOUCHING) * (
            apart[:, None] == levels
        )
    else:
        damage = (touching + apart) / 2
        seen = np.stack([damage, 1 - damage], axis=1)
    return _slipped(test, seen)


def cause_chances(test: Test, there: np.ndarray) -> np.ndarray:
    """(rows, 2) chance of found and not found; `there` is the chance that the cause is there."""
    return _slipped(test, np.stack([CAUSE_SEEN * there, 1 - CAUSE_SEEN * there], axis=1))


def _slipped(test: Test, seen: np.ndarray) -> np.ndarray:
    slip = test.slip_percent / 100.0
    return (1 - slip) * seen + slip / seen.shape[1]


def told(fits: np.ndarray, fine: np.ndarray, percent_right: float, others: int) -> np.ndarray:
    """(rows,) chance that the customer says so.

    Args:
        fits: (rows, 2) whether his words fit.
        fine: (rows, 2) whether nothing is wrong.
        percent_right: of those who could say it rightly, so many do.
        others: complaints that the machine may come with besides; who has the wrong words has
            those of any other.
    """
    right = percent_right / 100.0
    wrong = (1 - right) / max(others, 1)
    return (fits * right + ~fits.astype(bool) * np.where(fine, NO_REASON, wrong)).mean(axis=1)


def shown(share: np.ndarray, results: int) -> np.ndarray:
    """(rows,) chance that trying the machine is taken for what it shows with this share."""
    return (1 - TRIED_WRONG) * share + TRIED_WRONG / results


def unsure(chance: np.ndarray, sure: float, otherwise: float) -> np.ndarray:
    """What is only half remembered: else it may be anything."""
    return sure * chance + (1 - sure) * otherwise


def anywhere(test: Test) -> float:
    """Density of a number that has nothing to do with the machine."""
    if test.kind == "ohms":
        return 1.0 / math.log(WIDEST_OHMS / NARROWEST_OHMS)
    return 1.0 / (test.high - test.low)


def number_density(test: Test, number: float, values: np.ndarray, blur: float = 1.0) -> np.ndarray:
    """(rows,) density of a number on the meter; for ohms, of its natural logarithm.

    `blur` makes the meter so many times worse than it is, to see from afar what comes near.
    """
    touching, apart = (_density(test, number, values[:, k], blur) for k in (0, 1))
    slip = test.slip_percent / 100.0
    right = TOUCHING * touching + (1 - TOUCHING) * apart
    if A_NUMBER_KEPT_STILL and _can_change(test):
        moves = _place(test, values[:, 0]) != _place(test, values[:, 1])
        right = right * np.where(moves, 1 - CHANGES_WHILE_WATCHED, 1.0)
    return (1 - slip) * right + slip * anywhere(test)


def _density(test: Test, number: float, value: np.ndarray, blur: float) -> np.ndarray:
    there = ~np.isnan(value)
    centre, width = _centre_and_width(test, np.where(there, value, 1.0))
    width = width * blur
    if test.kind == "ohms":
        number = math.log(min(max(number, NARROWEST_OHMS), WIDEST_OHMS))
    bell = np.exp(-(((number - centre) / width) ** 2) / 2) / (width * math.sqrt(2 * math.pi))
    return np.where(there, bell, 0.0)


def _centre_and_width(test: Test, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    if test.kind != "ohms":
        return value, np.maximum(_spread(test, value), 1e-6)
    value = np.minimum(np.maximum(value, NARROWEST_OHMS), WIDEST_OHMS)
    return np.log(value), np.minimum(np.maximum(_spread(test, value) / value, OHMS_AGREE), 1.0)


def draw_number(test: Test, values: np.ndarray, rng: np.random.Generator) -> float:
    """A number as the meter might show it, none where there is nothing to read; `values` (2,)."""
    if rng.random() < test.slip_percent / 100.0:
        if test.kind == "ohms":
            ends = math.log(NARROWEST_OHMS), math.log(WIDEST_OHMS)
            return math.exp(rng.uniform(*ends))
        return float(rng.uniform(test.low, test.high))
    value = values[None, 0 if rng.random() < TOUCHING else 1]
    if np.isnan(value[0]):
        return math.nan
    centre, width = _centre_and_width(test, value)
    shown = float(centre[0] + width[0] * rng.standard_normal())
    shown = math.exp(shown) if test.kind == "ohms" else shown
    return min(max(shown, test.low), test.high)


def draw_outcome(chances: np.ndarray, rng: np.random.Generator) -> int:
    """Which outcome is written down; `chances` (outcomes,)."""
    return int(np.searchsorted(np.cumsum(chances), rng.random() * chances.sum()))


def volts_lost_to_cold(machine: Machine, test: Test, celsius: float, *, rested: bool) -> float:
    """How much lower a good battery reads than at 20 degrees Celsius, in volts.

    Args:
        machine: 12 V or another.
        test: only the battery by itself is so cold that it matters.
        celsius: of the battery.
        rested: whether the test reads the battery's posts with nothing drawing current.
    """
    scale = machine.nominal_volts / 12.0
    if test.kind == "load_test":
        at = np.interp(celsius, list(LOAD_TEST_LIMITS), list(LOAD_TEST_LIMITS.values()))
        return scale * (LOAD_TEST_LIMITS[20] - float(at))
    return scale * REST_VOLTS_FALL * (20.0 - celsius) if test.kind == "volts" and rested else 0.0
