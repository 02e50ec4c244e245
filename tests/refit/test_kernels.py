"""What is added up over patterns: against published figures, and in any order and split."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest

from diagnose.refit.fit import information_of
from diagnose.refit.kernels import UNIT, pass_over

LINKAGE = np.array([125, 18, 20, 34])
"""Animals of four kinds, of which theta/4 + 1/2, (1 - theta)/4 twice and theta/4 are expected."""


def linkage_pass(theta: float) -> tuple[float, np.ndarray]:
    """Log likelihood and expected animals of the five kinds that cannot all be told apart."""
    chance = np.array([0.5, theta / 4, (1 - theta) / 4, (1 - theta) / 4, theta / 4])
    shares, each = np.zeros(5, dtype=np.int64), np.zeros(4)
    start, column = np.array([0, 2, 3, 4, 5]), np.arange(5)
    total = pass_over(start, column, np.ones(5), LINKAGE, chance, shares, each)
    return total / UNIT, shares / UNIT


def test_the_linkage_of_197_animals() -> None:
    """Dempster, Laird & Rubin 1977, section 1: theta is 0.6268, by their steps in 8 from 0.5.

    Table 1 there, from memory: 0.608247, 0.624321, 0.626489, then 0.6268.
    """
    theta, steps = 0.5, []
    for _ in range(30):
        _, of_kind = linkage_pass(theta)
        theta = (of_kind[1] + of_kind[4]) / (of_kind[1:].sum())
        steps.append(theta)
    assert steps[0] == pytest.approx(0.608247, abs=1e-6)
    assert steps[1] == pytest.approx(0.624321, abs=1e-6)
    assert theta == pytest.approx(0.6268, abs=5e-5)
    # The positive root of 197 t^2 - 15 t - 68, where the slope of the likelihood is 0.
    assert theta == pytest.approx((15 + np.sqrt(15**2 + 4 * 197 * 68)) / (2 * 197), abs=1e-8)
    values = [linkage_pass(at)[0] for at in (theta - 0.01, theta, theta + 0.01)]
    assert values[1] == max(values)


@dataclass
class Slope:
    """As much of a pass as the information asks for."""

    slope: np.ndarray


def linkage_slope(theta: float, of_kind: np.ndarray) -> np.ndarray:
    """By theta, of the likelihood of animals of five kinds that could be told apart."""
    return np.array([(of_kind[1] + of_kind[4]) / theta - (of_kind[2] + of_kind[3]) / (1.0 - theta)])


def test_information_of_the_linkage() -> None:
    """Louis 1982, his worked example: what is observed tells 377.5, complete data 435.3, missing
    is 57.8.

    Journal of the Royal Statistical Society B 44, 226-233; the figures from memory of McLachlan &
    Krishnan, The EM Algorithm and Extensions, who repeat them. By hand the first is
    125 / (2 + t)^2 + 38 / (1 - t)^2 + 34 / t^2.
    The way is the refit's own: expected animals from its pass over patterns, the slope of complete
    data at them, its differences by `information_of`. With the animals held, the same gives what
    complete data would tell.
    """
    theta = np.array([(15 + np.sqrt(15**2 + 4 * 197 * 68)) / (2 * 197)])
    held = linkage_pass(theta[0])[1]

    def observed(x: np.ndarray) -> Slope:
        return Slope(linkage_slope(x[0], linkage_pass(x[0])[1]))

    def complete(x: np.ndarray) -> Slope:
        return Slope(linkage_slope(x[0], held))

    assert observed(theta).slope[0] == pytest.approx(0.0, abs=1e-5)
    told, whole = (information_of(run, theta)[0, 0] for run in (observed, complete))
    assert told == pytest.approx(377.5, abs=0.05)
    assert whole == pytest.approx(435.3, abs=0.05)
    assert whole - told == pytest.approx(57.8, abs=0.05)
    # Louis' identity: missing is the variance of the slope of complete data, given the animals.
    share = held[1] / 125.0
    assert whole - told == pytest.approx(125.0 * share * (1.0 - share) / theta[0] ** 2, abs=0.02)
    # And the standard error that Louis gives, 0.05.
    assert told**-0.5 == pytest.approx(0.05, abs=0.005)


def drawn_patterns(n: int) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(7)
    width = rng.integers(1, 9, n)
    start = np.concatenate([[0], np.cumsum(width)])
    column = rng.integers(0, 60, start[-1])
    return start, column, rng.random(start[-1]), rng.integers(1, 900, n), rng.random(60) ** 6


def test_any_split_and_order_gives_the_same_bits() -> None:
    """Whole numbers are added, so that (a + b) + c is a + (b + c): a law of arithmetic."""
    start, column, like, counts, chance = drawn_patterns(400)
    whole, each = np.zeros(60, dtype=np.int64), np.zeros(400)
    total = pass_over(start, column, like, counts, chance, whole, each)
    rng = np.random.default_rng(8)
    for pieces in (1, 3, 17):
        found, summed = np.zeros(60, dtype=np.int64), 0
        for own in np.array_split(rng.permutation(400), pieces):
            at = np.concatenate([np.arange(start[p], start[p + 1]) for p in own])
            begin = np.concatenate([[0], np.cumsum(start[own + 1] - start[own])])
            summed += pass_over(
                begin, column[at], like[at], counts[own], chance, found, np.zeros(len(own))
            )
        assert summed == total
        assert (found == whole).all()


def test_a_sum_of_floats_would_not() -> None:
    """What the whole numbers are for: the same figures added as floats depend on the order."""
    start, column, like, counts, chance = drawn_patterns(400)
    shares = np.concatenate(
        [
            counts[row] * like[a:b] * chance[column[a:b]] / (like[a:b] @ chance[column[a:b]])
            for row, (a, b) in enumerate(pairwise(start))
        ]
    )
    forth, back = (np.cumsum(own)[-1] for own in (shares, shares[::-1]))
    assert forth != back


def test_whole_numbers_are_near_the_sums_they_stand_for() -> None:
    """Against numpy's own sums, to a thousand millionth for each pattern."""
    start, column, like, counts, chance = drawn_patterns(50)
    found, each = np.zeros(60, dtype=np.int64), np.zeros(50)
    total = pass_over(start, column, like, counts, chance, found, each)
    by_hand, logs = np.zeros(60), 0.0
    for row in range(50):
        own = slice(start[row], start[row + 1])
        mass = like[own] * chance[column[own]]
        logs += counts[row] * np.log(mass.sum())
        np.add.at(by_hand, column[own], counts[row] * mass / mass.sum())
    assert total / UNIT == pytest.approx(logs, abs=1e-9 * counts.sum())
    np.testing.assert_allclose(found / UNIT, by_hand, atol=1e-9 * counts.sum())
