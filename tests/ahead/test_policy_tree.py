"""The card's tree: every share against jobs followed fault set by fault set."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.ahead.bench import minutes_of
from diagnose.ahead.desk import Desk
from diagnose.ahead.policy_tree import (
    MOST_AT_ONCE,
    Branch,
    GoOn,
    HandOver,
    PolicyTree,
    RepairLeaf,
    TreeStep,
    leaves,
    policy_tree,
    steps,
    thinner,
)
from diagnose.ahead.state import ProblemBench
from diagnose.belief.situation import Situation
from diagnose.job import prepare
from tests.commands.carts import CART
from tests.trial.small import random_problem, small_problem

if TYPE_CHECKING:
    from diagnose.ahead.problem import DecisionProblem

LEVELS = (1, 2, 4)


@cache
def cart() -> ProblemBench:
    """The cart's belief as a closed problem, all of its sets kept."""
    desk = Desk(prepare(CART), Situation("silent"))
    return desk.thinned(desk.start, 10_000)


def walked(tree: PolicyTree, of: DecisionProblem, row: int) -> tuple[float, float]:
    """Chance that a job with this fault set comes to a repair, and that it ends there."""

    def go(then, chance: float) -> tuple[float, float]:
        if isinstance(then, RepairLeaf):
            left = of.after[then.repair, row]
            bad = of.bad[then.repair]
            joined = of.joined[left]
            share = np.where(joined >= 0, bad, 0.0)
            runs = (1.0 - share.sum()) * of.checks[left, 0] + share @ of.checks[joined, 0]
            return chance, chance * runs
        if not isinstance(then, TreeStep):
            return 0.0, 0.0
        found = np.zeros(2)
        for branch in then.branches:
            start = of.tables.start[then.test]
            seen = sum(of.tables.like[row, start + o] for o in branch.outcomes)
            found += go(branch.then, chance * seen)
        return found[0], found[1]

    return go(tree.root, 1.0)


@pytest.mark.parametrize("levels", LEVELS)
@pytest.mark.parametrize("small", [True, False])
def test_coverage_by_following_every_fault_set(levels: int, *, small: bool) -> None:
    bench = ProblemBench(random_problem(3)) if small else cart()
    of, tree = bench.problem, policy_tree(bench, levels)
    rows = np.flatnonzero(of.prior)
    found = np.array([walked(tree, of, int(h)) for h in rows])
    covered, fixed = of.prior[rows] @ found
    assert tree.covered == pytest.approx(covered, abs=1e-6)
    assert tree.fixed == pytest.approx(fixed, abs=1e-6)
    assert 0.0 <= tree.fixed <= tree.covered <= 1.0 + 1e-9


@pytest.mark.parametrize("levels", LEVELS)
def test_every_job_ends_somewhere(levels: int) -> None:
    tree = policy_tree(cart(), levels)
    assert sum(one.share for one in leaves(tree.root)) == pytest.approx(1.0, abs=1e-6)
    for step in steps(tree.root):
        assert sum(branch.share for branch in step.branches) == pytest.approx(step.share, abs=1e-6)


def depth(then) -> int:
    if not isinstance(then, TreeStep):
        return 0
    return 1 + max(depth(branch.then) for branch in then.branches)


@pytest.mark.parametrize("levels", LEVELS)
def test_depth_and_rare_outcomes(levels: int) -> None:
    tree = policy_tree(cart(), levels)
    assert depth(tree.root) <= levels
    for step in steps(tree.root):
        outcomes = sorted(o for branch in step.branches for o in branch.outcomes)
        assert outcomes == list(range(cart().problem.n_outcomes(step.test)))
        for branch in step.branches:
            if branch.rare:
                assert isinstance(branch.then, GoOn)
            else:
                assert branch.share >= tree.least_share


def test_deeper_trees_bring_more_jobs_to_a_repair() -> None:
    covered = [policy_tree(cart(), levels).covered for levels in range(1, 7)]
    assert covered == sorted(covered)
    assert covered[-1] > 0.5


def test_thinning_takes_what_leads_to_few_repairs_until_one_test_is_left() -> None:
    tree = policy_tree(cart(), 5)
    while len(list(steps(tree.root))) > 1:
        fewer = thinner(tree)
        gone = len(list(steps(tree.root))) - len(list(steps(fewer.root)))
        assert 1 <= gone <= MOST_AT_ONCE
        lost = tree.covered - fewer.covered
        assert lost == pytest.approx(0.0, abs=1e-9) or lost <= gone * fewer.least_covered + 1e-9
        assert fewer.least_covered >= tree.least_covered
        assert sum(one.share for one in leaves(fewer.root)) == pytest.approx(1.0, abs=1e-6)
        tree = fewer
    assert thinner(tree) == tree
    assert isinstance(tree.root, TreeStep)


def test_minutes_and_areas_are_those_of_the_bench() -> None:
    tree = policy_tree(cart(), 3)
    root = tree.root
    assert isinstance(root, TreeStep)
    bench = cart()
    assert root.minutes == minutes_of(bench, bench.start, root.test)
    for branch in root.branches:
        state = bench.after_test(bench.start, root.test, branch.outcomes[0])
        if isinstance(branch.then, TreeStep):
            assert state is not None
            assert branch.then.minutes == minutes_of(bench, state, branch.then.test)


def test_a_machine_that_is_handed_over_at_once() -> None:
    of = small_problem(np.array([0.5, 0.5]), [], [], [400.0, 500.0], hand_over_minutes=30.0)
    tree = policy_tree(ProblemBench(of), 4)
    assert tree.root == HandOver(1.0)
    assert (tree.covered, tree.fixed) == (0.0, 0.0)


def test_outcomes_of_few_jobs_are_not_worked_out() -> None:
    # What is not followed costs nothing: no belief is asked for behind a rare outcome.
    bench = ProblemBench(random_problem(3))
    tree = policy_tree(bench, 1, least_share=1.1)
    assert isinstance(tree.root, TreeStep)
    (rest,) = tree.root.branches
    assert rest == Branch((0, 1), rare=True, then=GoOn(pytest.approx(1.0)))
    assert not bench._states


@pytest.mark.parametrize("levels", LEVELS)
def test_the_tree_of_a_whole_belief_is_that_of_all_its_sets(levels: int) -> None:
    # The desk works every belief out anew, the closed problem carries weights forward.
    desk = Desk(prepare(CART), Situation("silent"))
    one, other = policy_tree(desk, levels), policy_tree(cart(), levels)
    assert [step.test for step in steps(one.root)] == [step.test for step in steps(other.root)]
    assert one.covered == pytest.approx(other.covered, abs=0.01)
    assert one.fixed == pytest.approx(other.fixed, abs=0.01)
