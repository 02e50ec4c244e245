"""Figures that are counted, against scipy and pgmpy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pgmpy.models import DiscreteBayesianNetwork
from pgmpy.parameter_estimator import DiscreteBayesianEstimator, DiscreteMLE
from scipy.stats import beta, lognorm

from diagnose.refit.counts import comebacks, minutes_of, share_of


def test_shares_are_pgmpys() -> None:
    """pgmpy's estimators on complete data: with pseudo-counts, and without."""
    rng = np.random.default_rng(5)
    rows = pd.DataFrame({"told_right": np.where(rng.random(137) < 0.7, "yes", "no")})
    hits = int((rows["told_right"] == "yes").sum())
    model = DiscreteBayesianNetwork()
    model.add_node("told_right")
    counted = {"told_right": [[20.0 * 0.15], [20.0 * 0.85]]}  # states in order: no, yes
    theirs = DiscreteBayesianEstimator(prior_type="dirichlet", pseudo_counts=counted)
    table = theirs.fit(model, rows).parameters_[0]
    assert table.state_names["told_right"] == ["no", "yes"]
    found = share_of(hits, 137, 0.85)
    assert found.value == pytest.approx(float(table.values[1]), abs=1e-9)
    plain = DiscreteMLE().fit(model, rows).parameters_[0]
    assert found.raw == pytest.approx(float(plain.values[1]), abs=1e-9)


def test_interval_of_a_share() -> None:
    """scipy's beta distribution."""
    found = share_of(3, 40, 0.1, worth=10.0)
    assert (found.low, found.high) == pytest.approx(beta.interval(0.9, 4.0, 46.0))


def test_minutes_with_many_jobs_are_those_of_the_jobs() -> None:
    """scipy's log-normal: with a thousand jobs the shipped figure hardly counts."""
    spread = lognorm(0.3, scale=12.0)
    logs = np.log(spread.rvs(1000, random_state=2))
    found = minutes_of(logs, 5.0)
    assert found.value == pytest.approx(spread.mean(), rel=0.03)
    assert minutes_of(np.zeros(0), 5.0).value == pytest.approx(5.0)


def test_intervals_of_minutes_cover() -> None:
    """Of 400 shops whose minutes are as spread as the prior has them, 90 % (binomial, 3 sigma)."""
    rng = np.random.default_rng(4)
    held = 0
    for _ in range(400):
        middle = np.log(6.0) + 0.4 / np.sqrt(3.0) * rng.standard_normal()
        logs = middle + 0.4 * rng.standard_normal(5)
        found = minutes_of(logs, 6.0 * np.exp(0.08))
        held += found.low < np.exp(middle + 0.08) < found.high
    assert held / 400 == pytest.approx(0.9, abs=3.0 * np.sqrt(0.09 / 400) + 0.02)


def test_orders_too_young_to_come_back_do_not_count() -> None:
    """Common practice, no source: censored orders are left out of the denominator."""
    orders = pd.DataFrame(
        {
            "order_id": ["a", "b", "c", "d"],
            "closed_at": ["2025-01-01", "2025-01-02", "2025-02-01", "2025-06-01"],
            "ended": ["runs", "runs", "runs", "runs"],
            "comeback_of": [None, None, "a", None],
            "days_to_comeback": [None, None, 31.0, None],
        }
    )
    found = comebacks(orders)
    assert found.cases == 3
    assert found.raw == pytest.approx(1 / 3)
