"""Refitting a small machine: against enumeration, differences, a slow twin, and known truths."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import check_grad, minimize
from scipy.stats import loggamma

from diagnose.belief.situation import Situation
from diagnose.refit.evidence import Evidence, make_evidence, run_pass
from diagnose.refit.fit import Prior, fit, fit_rates, information_of, log_prior, scaled
from diagnose.refit.likelihood import make_rows
from diagnose.refit.model import at_rates, make_model
from diagnose.refit.patterns import Counted, counted, make_pattern, merged
from diagnose.refit.refit import by_order, refit, rows_of
from diagnose.rule.prepared import prepared_like
from diagnose.trial.orders import Practice, Tables, simulated_orders
from diagnose.trial.worlds import drawn_world, ready_world
from tests.belief.enumeration import Everything, account
from tests.belief.lift import calm, job
from tests.refit.recover import off_by, truth_of

ORDERS = 1000


@cache
def tables() -> Tables:
    machine = calm()[0].machine
    return simulated_orders(machine, ORDERS, 5, truth=world())


@cache
def world():
    return drawn_world(calm()[0].machine, 11)


@cache
def told() -> Counted:
    kept = tables()
    return counted(calm()[0].machine, kept.orders, by_order(pd.DataFrame(kept.steps)))


@cache
def evidence() -> Evidence:
    ready = calm()[0]
    model = make_model(ready.behaviour, ready.sets.priors)
    rows = make_rows(ready.sets, told().patterns)
    return make_evidence(ready.sets, model, rows, told().counts.tolist())


@pytest.mark.parametrize("seed", range(6))
def test_chance_of_a_job_under_other_rates(seed: int) -> None:
    """The referee of `tests/belief/enumeration.py`: every set of faults, with the other rates.

    Patterns are worked out once, under the shipped rates.
    """
    ready, _ = calm()
    other = ready_world(ready.machine, drawn_world(ready.machine, 20 + seed, 0.5))
    model = make_model(ready.behaviour, ready.sets.priors)
    moved = np.log(other.behaviour.priors / ready.behaviour.priors)
    causes = [
        np.log(
            other.machine.shared_causes[c].per_1000_jobs
            / ready.machine.shared_causes[c].per_1000_jobs
        )
        for c in model.causes[: model.n_free]
    ]
    situation = job(seed, seed % 3, kind=ready)
    rows = make_rows(ready.sets, [make_pattern(situation, None)])
    passed = run_pass(make_evidence(ready.sets, model, rows, [1]), np.concatenate([moved, causes]))
    by_hand = account(Everything(other.behaviour), situation)
    found = passed.each[0] + np.log(passed.comes)
    assert found == pytest.approx(by_hand.log_evidence, abs=0.08)


def test_slope_of_the_likelihood() -> None:
    """Central differences; shared causes, and causes that are a part's failure, among them."""
    own = evidence()
    rng = np.random.default_rng(2)
    at = 0.4 * rng.standard_normal(own.model.n)
    slope = run_pass(own, at).slope
    for place in range(0, own.model.n, 2):
        step = np.zeros(own.model.n)
        step[place] = 1e-4
        up, down = (run_pass(own, at + s).log_likelihood for s in (step, -step))
        assert slope[place] == pytest.approx((up - down) / 2e-4, abs=2e-2)


def test_prior_is_a_gamma() -> None:
    """scipy's log-gamma, the distribution of the logarithm of a gamma; slope by `check_grad`."""
    model = evidence().model
    prior = Prior(np.linspace(0.5, 9.0, model.n), scale_spread=1e6)
    x = np.random.default_rng(1).normal(0.0, 0.6, model.n)
    value, _ = log_prior(model, prior, x)
    theirs = loggamma.logpdf(x + np.log(prior.cases), prior.cases).sum()
    assert value == pytest.approx(theirs)
    held = replace(prior, scale_spread=0.3)
    off = check_grad(
        lambda y: log_prior(model, held, y)[0], lambda y: log_prior(model, held, y)[1], x
    )
    assert off < 1e-4


def test_the_fit_is_where_another_optimiser_ends() -> None:
    """scipy's `trust-constr` with no bounds, from elsewhere."""
    own = evidence()
    prior = Prior(np.full(own.model.n, 6.25))

    def negative(x: np.ndarray) -> tuple[float, np.ndarray]:
        passed, (value, slope) = run_pass(own, x), log_prior(own.model, prior, x)
        return -passed.log_likelihood - value, -passed.slope - slope

    theirs = minimize(negative, np.full(own.model.n, -0.3), jac=True, method="BFGS")
    found, _, slope, density = fit_rates(own.model, lambda x: run_pass(own, x), prior)
    assert slope < 0.05
    assert density >= -theirs.fun - 1e-4
    np.testing.assert_allclose(found, theirs.x, atol=5e-3)


def em_step(own: Evidence, x: np.ndarray, prior: Prior) -> np.ndarray:
    """One step of expectation and maximisation for modes without causes: cases over exposure.

    An order is one machine in comes-times-as-many that nobody complained about (Dempster, Laird &
    Rubin 1977, section 4.2, truncated data). The rates of a machine without causes are few, so
    cases with a fault over those without it are its odds.
    """
    step = 1e-5
    slope = run_pass(own, x).slope
    # Cases less what the rates expect is the slope; expected cases come from the rates' own share.
    expected = own.orders / run_pass(own, x).comes * at_rates(own.model, x).rates
    a = prior.cases
    return np.log((np.maximum(expected + slope, step) + a) / (expected + a * np.exp(x))) + x


def test_cases_over_expected_cases_stand_still_at_the_fit() -> None:
    """Slow twin: at the fit another step of cases over exposure changes nothing."""
    own = evidence()
    prior = Prior(np.full(own.model.n, 6.25), scale_spread=1e6)
    found = fit_rates(own.model, lambda x: run_pass(own, x), prior)[0]
    np.testing.assert_allclose(em_step(own, found, prior), found, atol=1e-3)
    x = np.zeros(own.model.n)
    begun = float(np.abs(x - found).max())
    for _ in range(200):
        x = x + 0.5 * (em_step(own, x, prior) - x)
    assert float(np.abs(x - found).max()) < 0.05 < begun


def test_rates_are_found_again() -> None:
    """Rates of the world that the orders came from; the file is farther off, named causes too."""
    done = fitted()
    truth = truth_of(calm()[0].machine, world(), done.evidence.model)
    model = done.evidence.model
    shipped = off_by(model, np.zeros(model.n), truth)
    assert off_by(model, done.known.log_ratio, truth) < 0.45 * shipped
    assert done.fitted.spread >= 0.4
    wide = 1.644854 * np.sqrt(np.diag(done.known.covariance))
    held = np.abs(done.known.log_ratio - truth) < wide
    assert held.mean() > 0.75


@cache
def fitted():
    kept = tables()
    return refit(pd.DataFrame(kept.orders), pd.DataFrame(kept.steps), calm()[0].machine)


def test_orders_of_the_file_itself_leave_it_alone() -> None:
    """Where the file is right the evidence chooses a small spread, and rates hardly move."""
    machine = calm()[0].machine
    kept = simulated_orders(machine, 300, 9)
    done = refit(pd.DataFrame(kept.orders), pd.DataFrame(kept.steps), machine)
    assert done.fitted.spread <= 0.4
    model = done.evidence.model
    assert off_by(model, done.known.log_ratio, np.zeros(model.n)) < 0.3


def test_intervals_cover() -> None:
    """90 % intervals over worlds drawn as they suppose: 85 to 95 %, by 3 sigma of the binomial."""
    machine, held = calm()[0].machine, []
    for seed in range(6):
        other = drawn_world(machine, 40 + seed)
        kept = simulated_orders(machine, 150, seed, truth=other, practice=Practice(held=150))
        done = refit(pd.DataFrame(kept.orders), pd.DataFrame(kept.steps), machine, spreads=(0.8,))
        truth = truth_of(machine, other, done.evidence.model)
        wide = 1.644854 * np.sqrt(np.diag(done.known.covariance))
        held += (np.abs(done.known.log_ratio - truth) < wide).tolist()
    allowed = 3.0 * np.sqrt(0.09 / len(held))
    assert 0.85 - allowed < np.mean(held) < 0.95 + allowed


def test_any_split_and_order_of_orders_gives_the_same_bits() -> None:
    """Counts are added, patterns sorted: the fit sees the same figures."""
    machine, kept = calm()[0].machine, tables()
    steps = by_order(pd.DataFrame(kept.steps))
    rng = np.random.default_rng(1)
    orders = rows_of(pd.DataFrame(kept.orders))
    mixed = [orders[place] for place in rng.permutation(len(orders))]
    back = {o["comeback_of"] for o in orders if o.get("comeback_of")}
    # Orders that come back are told by later ones, so these go to the same piece.
    pieces = [[o for o in mixed if hash_of(o, back) % 5 == k] for k in range(5)]
    found = merged(counted(machine, piece, steps) for piece in pieces)
    assert [p.key for p in found.patterns] == [p.key for p in told().patterns]
    assert (found.counts == told().counts).all()
    own = evidence()
    shuffled = rng.permutation(len(own.counts))
    whole = run_pass(own, np.full(own.model.n, 0.1))
    part = [np.isin(np.arange(len(own.counts)), piece) for piece in np.array_split(shuffled, 3)]
    pieces_of = [run_pass(own, np.full(own.model.n, 0.1), own.counts * kept_) for kept_ in part]
    assert sum(p.whole for p in pieces_of) == whole.whole


def hash_of(order: dict, back: set) -> int:
    name = order.get("comeback_of") or order["order_id"]
    return int(str(name).split("_")[1]) if name else len(back)


def test_nothing_is_learnt_from_nothing() -> None:
    """Without findings that bear on it, a rate's variance is the prior's."""
    ready, _ = calm()
    model = make_model(ready.behaviour, ready.sets.priors)
    pattern = make_pattern(Situation(next(iter(ready.machine.complaints))), None)
    rows = make_rows(ready.sets, [pattern])
    done = fit(make_evidence(ready.sets, model, rows, [1]), spreads=(0.8,))
    assert scaled(model, done).learnt.max() < 0.2


def test_information_is_the_negative_curvature() -> None:
    """A parabola: its information is its matrix."""
    rng = np.random.default_rng(6)
    half = rng.standard_normal((5, 5))
    matrix = half @ half.T

    class Parabola:
        def __init__(self, x: np.ndarray) -> None:
            self.slope = -matrix @ x

    np.testing.assert_allclose(information_of(Parabola, rng.standard_normal(5)), matrix, atol=1e-9)


def test_tables_of_a_refit() -> None:
    """What is written can be laid over the machine, and gives the fitted rates."""
    done = fitted()
    frame = done.to_frame()
    assert list(frame.columns) == [
        "part", "mode", "shipped_per_1000_jobs", "fitted_per_1000_jobs", "low", "high", "learnt",
        "group", "status",
    ]  # fmt: skip
    modes = frame[frame["mode"] != ""]
    assert modes["fitted_per_1000_jobs"].sum() == pytest.approx(
        modes["shipped_per_1000_jobs"].sum()
    )
    assert (
        (frame["low"] < frame["fitted_per_1000_jobs"])
        & (frame["fitted_per_1000_jobs"] < frame["high"])
    ).all()
    laid = done.overlay().applied(calm()[0].machine)
    row = frame.iloc[0]
    assert laid.parts[row["part"]].modes[row["mode"]].per_1000_jobs == row["fitted_per_1000_jobs"]
    assert str(done.evidence.orders) in done.summary()
    assert prepared_like(calm()[0], laid).sets.now().prior.sum() < 1.0
