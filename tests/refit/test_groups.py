"""What orders do not tell apart: eigenvectors, groups and their sums, against known truths."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import eigh

from diagnose.refit.fit import Scaled
from diagnose.refit.groups import directions_of, groups_of, learnt_of_sum, sum_variance
from diagnose.refit.refit import refit
from diagnose.trial.orders import Practice, simulated_orders
from diagnose.trial.worlds import drawn_world, ready_world
from tests.belief.lift import calm

Z_90 = 1.644854


@dataclass
class Rates:
    """As much of a model as groups ask for."""

    marginal: np.ndarray
    n_faults: int


def known_by(tests: np.ndarray, rates: np.ndarray, orders: float) -> Scaled:
    """Rates after orders whose tests show sums of them: Poisson counts of each row of `tests`.

    The information of the logarithms is `D T' diag(orders / T r) T D` with `D = diag(r)`.
    """
    before = np.full(len(rates), 0.64)
    counted = tests * rates
    information = counted.T @ np.diag(orders / (tests @ rates)) @ counted
    after = np.linalg.inv(information + np.diag(1.0 / before))
    return Scaled(np.zeros(len(rates)), after, np.diag(before))


def test_directions_are_those_of_the_pair_of_matrices() -> None:
    """scipy's generalised eigenvalues of the covariances after and before."""
    rng = np.random.default_rng(4)
    tests = (rng.random((5, 8)) < 0.4).astype(float) + np.eye(5, 8)
    known = known_by(tests, rng.uniform(0.5, 2.0, 8), 30.0)
    theirs = eigh(known.covariance, known.prior_covariance, eigvals_only=True)
    found = directions_of(known)
    np.testing.assert_allclose(found.learnt, np.sort(1.0 - theirs)[::-1], atol=1e-10)
    np.testing.assert_allclose(found.vectors.T @ found.vectors, np.eye(8), atol=1e-10)


def test_three_modes_that_one_test_shows_are_a_group() -> None:
    """Built so: 0, 1 and 2 only together, 3 by itself, 4 not at all, 5 and 6 only together."""
    tests = np.zeros((3, 7))
    tests[0, [0, 1, 2]] = tests[1, 3] = tests[2, [5, 6]] = 1.0
    rates = np.array([1.0, 1.5, 0.8, 1.0, 1.0, 2.0, 1.0])
    known = known_by(tests, rates, 200.0)
    groups = groups_of(Rates(rates, 7), known)
    assert [group.members for group in groups] == [(0, 1, 2), (5, 6)]
    assert all(group.learnt > 0.95 for group in groups)
    assert (known.learnt[[0, 1, 2, 5, 6]] < 0.85).all()


def test_interval_of_a_sum() -> None:
    """Cases of two modes that one test shows are one Poisson count: its relative variance."""
    tests = np.array([[1.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    rates = np.array([1.0, 1.2, 1.0])
    known = known_by(tests, rates, 400.0)
    members = np.array([0, 1])
    own = sum_variance(known.covariance, rates, members)
    # Poisson with 400 * 2.2 cases: the logarithm varies by one over them, the prior's part aside.
    assert own == pytest.approx(1.0 / 880.0, rel=0.02)
    assert learnt_of_sum(known, rates, members) > 0.99


def test_nothing_is_a_group_where_every_mode_is_known_or_none_is() -> None:
    rates = np.ones(4)
    assert groups_of(Rates(rates, 4), known_by(np.eye(4), rates, 500.0)) == []
    assert groups_of(Rates(rates, 4), known_by(np.eye(4), rates, 0.01)) == []


def refitted(orders: list, steps: list):
    return refit(pd.DataFrame(orders), pd.DataFrame(steps), calm()[0].machine, spreads=(0.8,))


@cache
def worked(seed: int):
    machine = calm()[0].machine
    practice = Practice(held=80, cause_named=0.0)
    world = drawn_world(machine, 60 + seed)
    return simulated_orders(machine, 700, seed, truth=world, practice=practice), world


@cache
def first_look(seed: int):
    """Of each order its first finding alone: what is looked at first the complaint decides."""
    made, world = worked(seed)
    steps = pd.DataFrame(made.steps)
    first = steps[steps["kind"] == "finding"].drop_duplicates("order_id")
    done = refitted(made.orders, first.to_dict("records"))
    return done, ready_world(calm()[0].machine, world)


def test_sums_of_groups_hold_the_truth() -> None:
    """Worlds drawn as the prior has them: 90 % of the intervals of sums hold the true sum, by 3
    sigma of the binomial. Battery, fuse and key switch give the same first finding of a lift that
    does not move: they are one group in every world."""
    held, members = [], 0
    for seed in range(3):
        done, truth = first_look(seed)
        model = done.evidence.model
        true = truth.behaviour.priors * (model.marginal.sum() / truth.behaviour.priors.sum())
        rates = model.marginal * np.exp(done.known.log_ratio[: model.n_faults])
        named = [{model.faults[member] for member in group.members} for group in done.groups]
        dead = {("battery", "flat"), ("fuse", "open"), ("key_switch", "open")}
        assert any(dead <= group for group in named)
        for group in done.groups:
            own = np.array(group.members)
            off = np.log(rates[own].sum() / true[own].sum())
            held.append(abs(off) < Z_90 * np.sqrt(group.log_sum_variance))
            members += len(own)
            assert group.learnt >= 0.5
            assert group.learnt > done.known.learnt[own].max()
    assert members > len(held) >= 5
    assert np.mean(held) > 0.9 - 3.0 * np.sqrt(0.09 / len(held))


def test_tests_that_tell_them_apart_break_a_group() -> None:
    """The same orders with all their steps: those modes are known one by one."""
    done, _ = first_look(0)
    frame = done.groups_frame()
    assert len(frame)
    assert (frame["low"] < frame["fitted_per_1000_jobs"]).all()
    assert (frame["fitted_per_1000_jobs"] < frame["high"]).all()
    made, _ = worked(0)
    whole = refitted(made.orders, made.steps)
    in_groups = {member for group in done.groups for member in group.members}
    still = {member for group in whole.groups for member in group.members}
    assert len(in_groups) >= 6
    assert not still & in_groups
    assert (whole.known.learnt[sorted(in_groups)] > 0.7).mean() > 0.8
