"""Simulated jobs walked down a card: how many come to a repair, and how many end with it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.ahead.policy_tree import RepairLeaf, TreeStep
from diagnose.ahead.world import outcome_of
from diagnose.faults.tried import check_results
from diagnose.trial.shop import Shop, draw_truths

if TYPE_CHECKING:
    from diagnose.ahead.policy_tree import PolicyTree, Then
    from diagnose.rule.prepared import Prepared
    from diagnose.trial.shop import Truth


@dataclass(frozen=True, slots=True)
class Walked:
    """What came of jobs.

    Attributes:
        jobs: how many.
        came: of them, to a repair.
        ended: of them, with the machine running after it.
    """

    jobs: int
    came: int
    ended: int

    @property
    def covered(self) -> float:
        """Share that came to a repair."""
        return self.came / self.jobs

    @property
    def fixed(self) -> float:
        """Share that ended with it."""
        return self.ended / self.jobs

    @property
    def error(self) -> float:
        """Standard error of either share, at most (binomial)."""
        return math.sqrt(0.25 / self.jobs)


def walk_jobs(
    prepared: Prepared, complaint: str, tree: PolicyTree, jobs: int, seed: int = 1
) -> Walked:
    """Machines that come with a complaint, each tested and repaired as the card says.

    Args:
        prepared: the machine.
        complaint: what is reported and seen.
        tree: what stands on the card.
        jobs: how many, at least one.
        seed: of all random numbers.

    Raises:
        ValueOutOfRangeError: the complaint is so rare that too few jobs are found.
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    shop, came, ended = Shop(prepared, complaint), 0, 0
    for truth in _seen(prepared, complaint, jobs, rng):
        then = _end(tree.root, shop, truth, rng)
        if isinstance(then, RepairLeaf):
            came += 1
            mended = shop.mend(truth, then.repair, float(rng.random()))
            ended += outcome_of(shop.checks(mended), float(rng.random())) == 0
    return Walked(jobs, came, ended)


def _seen(prepared: Prepared, complaint: str, jobs: int, rng: np.random.Generator) -> list[Truth]:
    """Machines on which the complaint is seen as well as told, as a card takes it."""
    if not prepared.machine.complaints[complaint].on_trying:
        return draw_truths(prepared, complaint, jobs, rng)
    shop = Shop(prepared, complaint)
    seen: list[Truth] = []
    place = check_results(prepared.machine, complaint).index(complaint)
    while len(seen) < jobs:
        drawn = draw_truths(prepared, complaint, jobs, rng)
        seen += [truth for truth in drawn if rng.random() < shop.checks(truth)[place]]
    return seen[:jobs]


def _end(then: Then, shop: Shop, truth: Truth, rng: np.random.Generator) -> Then:
    """Where a job leaves the card."""
    while isinstance(then, TreeStep):
        outcome = shop.answer(truth, then.test, float(rng.random()))
        then = next(branch.then for branch in then.branches if outcome in branch.outcomes)
    return then
