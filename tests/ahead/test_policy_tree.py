"""The card's tree: every share against jobs followed fault set by fault set."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from diagnose.ahead.policy_tree import (
    GoOn,
    HandOver,
    PolicyTree,
    RepairLeaf,
    TreeStep,
    leaves,
    policy_tree,
    pruned,
    steps,
)
from diagnose.decision.ready_problems import ready_problems
from diagnose.ahead.state import Bench
from diagnose.machine.load import load_machine
from diagnose.trial.small import random_problem, small_problem
from tests.commands.carts import CART

LEVELS = (1, 2, 4)


@cache
def problem():
    return ready_problems(load_machine(CART)).problem("silent")


def walked(tree: PolicyTree, of, hypothesis: int) -> tuple[float, float]:
    """Chance that a job with this fault set comes to a repair, and that it ends there."""

    def go(then, chance: float) -> tuple[float, float]:
        if isinstance(then, RepairLeaf):
            left = of.repairs.after[then.repair, hypothesis]
            bad = of.repairs.bad[then.repair]
            joined = of.repairs.joined[left]
            share = np.where(joined >= 0, bad, 0.0)
            same = (1.0 - share.sum()) * of.same[left] + share @ of.same[joined]
            return chance, chance * (1.0 - same)
        if not isinstance(then, TreeStep):
            return 0.0, 0.0
        found = np.zeros(2)
        for branch in then.branches:
            start = of.tables.start[then.test]
            seen = sum(of.tables.like[hypothesis, start + o] for o in branch.outcomes)
            found += go(branch.then, chance * seen)
        return found[0], found[1]

    return go(tree.root, 1.0)


@pytest.mark.parametrize("levels", LEVELS)
@pytest.mark.parametrize("small", [True, False])
def test_coverage_by_following_every_fault_set(levels: int, *, small: bool) -> None:
    of = random_problem(3) if small else problem()
    tree = policy_tree(of, levels)
    rows = np.flatnonzero(of.prior)
    found = np.array([walked(tree, of, int(h)) for h in rows])
    covered, fixed = of.prior[rows] @ found
    assert tree.covered == pytest.approx(covered, abs=1e-6)
    assert tree.fixed == pytest.approx(fixed, abs=1e-6)
    assert 0.0 <= tree.fixed <= tree.covered <= 1.0 + 1e-9


@pytest.mark.parametrize("levels", LEVELS)
def test_every_job_ends_somewhere(levels: int) -> None:
    tree = policy_tree(problem(), levels)
    assert sum(one.share for one in leaves(tree.root)) == pytest.approx(1.0, abs=1e-6)
    for step in steps(tree.root):
        assert sum(branch.share for branch in step.branches) == pytest.approx(step.share, abs=1e-6)


def depth(then) -> int:
    if not isinstance(then, TreeStep):
        return 0
    return 1 + max(depth(branch.then) for branch in then.branches)


@pytest.mark.parametrize("levels", LEVELS)
def test_depth_and_rare_outcomes(levels: int) -> None:
    tree = policy_tree(problem(), levels)
    assert depth(tree.root) <= levels
    for step in steps(tree.root):
        outcomes = sorted(o for branch in step.branches for o in branch.outcomes)
        assert outcomes == list(range(problem().n_outcomes(step.test)))
        for branch in step.branches:
            if branch.rare:
                assert isinstance(branch.then, GoOn)
            else:
                assert branch.share >= tree.least_share


def test_deeper_trees_bring_more_jobs_to_a_repair() -> None:
    covered = [policy_tree(problem(), levels).covered for levels in range(1, 7)]
    assert covered == sorted(covered)
    assert covered[-1] > 0.5


def test_pruning_leaves_out_what_leads_to_few_repairs_only() -> None:
    whole = policy_tree(problem(), 5)
    for least in (0.0, 0.05, 0.2):
        tree = pruned(whole, least)
        assert tree.covered <= whole.covered
        assert sum(one.share for one in leaves(tree.root)) == pytest.approx(1.0, abs=1e-6)
        for step in list(steps(tree.root))[1:]:
            assert sum(o.share for o in leaves(step) if isinstance(o, RepairLeaf)) > least
    assert pruned(whole, 0.0).covered == pytest.approx(whole.covered)


def test_minutes_and_areas_are_those_of_the_bench() -> None:
    tree = policy_tree(problem(), 3)
    root = tree.root
    assert isinstance(root, TreeStep)
    bench = Bench(problem())
    assert root.minutes == bench.minutes(bench.start, root.test)
    for branch in root.branches:
        state = bench.after_test(bench.start, root.test, branch.outcomes[0])
        if isinstance(branch.then, TreeStep):
            assert state is not None
            assert branch.then.minutes == bench.minutes(state, branch.then.test)


def test_a_machine_that_is_handed_over_at_once() -> None:
    of = small_problem(np.array([0.5, 0.5]), [], [], [400.0, 500.0], escalate_minutes=30.0)
    tree = policy_tree(of, 4)
    assert tree.root == HandOver(1.0)
    assert (tree.covered, tree.fixed) == (0.0, 0.0)
