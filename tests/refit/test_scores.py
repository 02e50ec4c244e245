"""Scores of forecasts, against scikit-learn and by the figures of the papers."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss
from sklearn.metrics import log_loss as their_log_loss

from diagnose.refit.scores import brier, calibration_error, log_loss, murphy, reliability


def drawn(n: int, bend: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    chances = rng.beta(0.8, 3.0, n)
    return chances, rng.random(n) < chances**bend


def test_brier_and_log_loss() -> None:
    """scikit-learn's `brier_score_loss` and `log_loss`."""
    chances, came = drawn(500)
    assert brier(chances, came) == pytest.approx(brier_score_loss(came, chances), abs=1e-12)
    assert log_loss(chances, came) == pytest.approx(their_log_loss(came, chances), abs=1e-12)


def test_bins_of_equal_mass() -> None:
    """scikit-learn's `calibration_curve` with `strategy="quantile"`, where no forecasts tie."""
    chances, came = drawn(1000)
    share, mean = calibration_curve(came, chances, n_bins=10, strategy="quantile")
    found = reliability(chances, came, 10)
    assert found["forecasts"].tolist() == [100] * 10
    np.testing.assert_allclose(found["forecast"], mean, atol=2e-3)
    np.testing.assert_allclose(found["came"], share, atol=0.011)


def test_murphys_parts_add_up() -> None:
    """Murphy 1973: with one forecast in each bin, reliability - resolution + uncertainty."""
    chances, came = drawn(4000)
    coarse = np.round(chances, 1)
    found = murphy(coarse, came, 4000)
    assert found.within == pytest.approx(0.0, abs=1e-12)
    assert found.brier == pytest.approx(brier_score_loss(came, coarse), abs=1e-12)
    by_hand = np.mean((came[coarse == 0.3].mean() - 0.3) ** 2) * np.mean(coarse == 0.3)
    assert found.reliability > by_hand > 0.0


def test_a_calibrated_forecast_is_no_farther_off_than_its_noise() -> None:
    """By the law of large numbers; a forecast that is too sure is far beyond it."""
    off, floor = calibration_error(*drawn(20_000))
    assert off < 2.0 * floor
    off, floor = calibration_error(*drawn(20_000, bend=2.0))
    assert off > 5.0 * floor
