"""Intervals, against scipy and formulas of the literature."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from diagnose.trial.figures import (
    difference,
    figures_of,
    mean_interval,
    quantile_interval,
    share_interval,
)
from diagnose.trial.simulate import COLUMNS


def rows(minutes: list[float], good: list[int]) -> np.ndarray:
    found = np.zeros(len(minutes), dtype=list(COLUMNS))
    found["minutes"], found["good_parts"], found["known_minutes"] = minutes, good, 1.0
    found["labour_minutes"] = found["minutes"] - 0.5 * found["good_parts"]
    return found


def test_the_mean_s_interval_is_scipy_s() -> None:
    x = np.random.default_rng(0).gamma(2.0, 10.0, 400)
    found = mean_interval(x)
    low, high = stats.norm.interval(0.95, loc=x.mean(), scale=stats.sem(x))
    assert (found.value, found.low, found.high) == pytest.approx((x.mean(), low, high))


@pytest.mark.parametrize(("hits", "n"), [(0, 10), (3, 40), (40, 40), (120, 900)])
def test_a_share_s_interval_is_wilson_s(hits: int, n: int) -> None:
    found = share_interval(np.arange(n) < hits)
    wanted = stats.binomtest(hits, n).proportion_ci(0.95, method="wilson")
    assert (found.low, found.high) == pytest.approx((wanted.low, wanted.high), abs=1e-6)


def test_a_quantile_s_interval_holds_it_as_often_as_it_says() -> None:
    rng = np.random.default_rng(1)
    found = [quantile_interval(rng.exponential(size=200), 0.9) for _ in range(1000)]
    held = np.mean([one.low <= np.log(10.0) <= one.high for one in found])
    assert 0.93 < held < 0.98  # exponential: the 90 % point is ln 10


def test_a_difference_is_paired() -> None:
    # By hand: theirs minus ours is 2 for every job, so the interval has no width.
    ours, theirs = rows([10.0, 20.0, 60.0], [0, 1, 0]), rows([12.0, 22.0, 62.0], [1, 1, 0])
    found = difference(ours, theirs)
    assert (found.minutes.low, found.minutes.high) == pytest.approx((2.0, 2.0))
    assert found.minutes_percent == pytest.approx(100.0 * 2.0 / 32.0)
    assert found.finding_minutes_percent == pytest.approx(100.0 * 2.0 / 31.0)
    assert found.good_parts.value == pytest.approx(1.0 / 3.0)
    # labour: 10, 19.5, 60 against 11.5, 21.5, 62: 1.5, 2 and 2 saved of 95 in all
    assert found.labour_minutes.value == pytest.approx(5.5 / 3.0)
    assert found.labour_minutes_percent == pytest.approx(100.0 * 5.5 / 95.0)
    assert found.to_dict()["good_parts"]["value"] == found.good_parts.value


def test_figures_by_hand() -> None:
    found = figures_of(rows([1.0, 3.0, 8.0], [0, 1, 1]))
    assert found.mean_minutes.value == pytest.approx(4.0)
    assert found.median_minutes.value == pytest.approx(3.0)
    assert found.finding_minutes.value == pytest.approx(3.0)
    assert found.labour_minutes.value == pytest.approx(11.0 / 3.0)
    assert found.good_parts.value == pytest.approx(2.0 / 3.0)
    assert found.not_solved.value == 1.0
    assert found.to_dict()["jobs"] == 3
