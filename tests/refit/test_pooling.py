"""Rates drawn towards each other, against published figures and known truths."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import nbinom

from diagnose.refit.pooling import _log_marginal, best_gamma, pool, pooled
from diagnose.refit.refit import refit
from diagnose.trial.orders import Practice, simulated_orders
from diagnose.trial.worlds import drawn_world, ready_world
from tests.belief.lift import calm

FAILURES = np.array([5, 1, 5, 14, 3, 19, 1, 1, 4, 22], dtype=float)
HOURS = np.array([94.32, 15.72, 62.88, 125.76, 5.24, 31.44, 1.048, 1.048, 2.096, 10.48])
"""Ten pumps of a power station, thousand hours: Gaver & O'Muircheartaigh 1987, table 3."""


def test_ten_pumps() -> None:
    """Gaver & O'Muircheartaigh 1987: the gamma that fits best, shape 0.82 and rate 1.27 (from
    memory of George, Makov & Smith 1993, who repeat it)."""
    mean, shape = best_gamma(FAILURES, HOURS)
    assert shape == pytest.approx(0.82, abs=0.02)
    assert shape / mean == pytest.approx(1.27, abs=0.03)
    assert pool(FAILURES, HOURS).rate[0] == pytest.approx((5 + 0.82) / (94.32 + 1.27), rel=0.05)


def test_chance_of_the_cases() -> None:
    """scipy's negative binomial."""
    k, e, mean, a = np.array([0.0, 3.0, 11.0]), np.array([2.0, 2.5, 8.0]), 1.3, 2.2
    theirs = nbinom.logpmf(k, a, (a / mean) / (a / mean + e)).sum()
    assert _log_marginal(k, e, mean, a) == pytest.approx(theirs)


def test_pooled_rates_are_nearer_the_truth_and_intervals_cover() -> None:
    """Twelve shops whose rates differ as supposed, 60 times (James & Stein; binomial, 3 sigma)."""
    rng, raw, near, held = np.random.default_rng(3), [], [], []
    for _ in range(60):
        truth = rng.gamma(4.0, 1.0 / 4.0, 12)
        exposure = rng.uniform(1.0, 12.0, 12)
        found = pool(rng.poisson(truth * exposure).astype(float), exposure)
        raw.append(np.mean((found.raw - truth) ** 2))
        near.append(np.mean((found.rate - truth) ** 2))
        held.append(np.mean((found.low < truth) & (truth < found.high)))
    assert np.mean(near) < 0.75 * np.mean(raw)
    assert np.mean(held) == pytest.approx(0.9, abs=0.03)


def test_a_shop_with_many_orders_keeps_its_own() -> None:
    """By the formula: what is kept is exposure over exposure and what the mean is worth."""
    found = pool(np.array([900.0, 2.0, 3.0]), np.array([300.0, 2.0, 3.0]))
    assert found.kept[0] > 0.98
    assert found.rate[0] == pytest.approx(3.0, rel=0.01)
    assert found.kept[1] < found.kept[2] < found.kept[0]


def test_shops_of_one_kind_share_strength() -> None:
    """Three shops of few orders whose machines fail alike: pooled rates are nearer the truth than
    each shop's own figure, the raw one stands beside, and intervals hold the truth (binomial)."""
    machine = calm()[0].machine
    world = drawn_world(machine, 17)
    truth = ready_world(machine, world).behaviour
    share = truth.priors / truth.priors.sum()
    shops = {}
    for seed in range(3):
        practice = Practice(held=80, shop=f"shop_{seed}")
        made = simulated_orders(machine, 120, seed, truth=world, practice=practice)
        shops[f"shop_{seed}"] = refit(
            pd.DataFrame(made.orders), pd.DataFrame(made.steps), machine, spreads=(0.8,)
        )
    table = pooled(shops)
    model = shops["shop_0"].evidence.model
    listed = [place for place, (part, _) in enumerate(model.faults) if part != "unlisted"]
    assert len(table) == 3 * len(listed)
    shipped = model.marginal / model.marginal.sum()
    ratio = {model.faults[place]: share[place] / shipped[place] for place in listed}
    true = np.array(
        [ratio[part, mode] for part, mode in zip(table["part"], table["mode"], strict=True)]
    )
    known = table["cases"] >= 2.0
    off = {
        name: np.abs(np.log(np.maximum(table[name], 0.02) / true))[known].mean()
        for name in ("raw", "pooled")
    }
    assert off["pooled"] < off["raw"]
    assert ((table["kept"] > 0.0) & (table["kept"] < 1.0)).all()
    assert (table["concentration"] > 0.0).all()
    held = ((table["low"] < true) & (true < table["high"]))[known]
    assert held.mean() > 0.9 - 3.0 * np.sqrt(0.09 / len(held))
    assert (table["high"] - table["low"] < table["raw_high"] - table["raw_low"])[known].mean() > 0.8
