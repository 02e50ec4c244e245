"""Rollout: of the best few candidates, the one after which the gate takes the fewest minutes.

One step of policy improvement (Bertsekas, Tsitsiklis & Wu 1997; Tu & Pattipati 2003): never worse
than the policy it starts from, up to the error of sampling. On small machines the gate is followed
through every outcome; on large ones the same few jobs are played for every candidate (common
random numbers), and another action than the gate's is taken only when it is better by more than
`SURE` standard errors of the difference.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.ahead.expected import Expected, TooManyStatesError, gate_action
from diagnose.ahead.play import Dice, job_generator, play
from diagnose.ahead.sample import surely_best
from diagnose.ahead.state import ProblemBench
from diagnose.ahead.world import ProblemWorld
from diagnose.rule.decide import choose, gate_ranking, repair_action

if TYPE_CHECKING:
    from diagnose.ahead.bench import Bench

SAMPLES = 48
"""Jobs played for each candidate on a large machine."""

SURE = 1.5
"""Standard errors by which another action must be better than the gate's."""

HELD = 600
"""Fault sets that the gate holds while it plays on."""

FOLLOWED_THROUGH = 64
"""In a problem of up to so many fault sets every outcome is followed instead."""

MOST_FOLLOWED = 100_000
"""States followed on a machine; with more, jobs are played."""

CANDIDATES = 3
"""Tests considered by each of the two rankings."""


def candidates(bench: Bench[Any], state: Any, count: int = CANDIDATES) -> list[int]:
    """Actions worth a closer look, the gate's first.

    The best tests by bits per minute, the best by minutes saved one step ahead, and the repair.
    """
    outlook, costs = bench.outlook(state), bench.costs
    ranked = outlook.ranked(outlook.rate)
    every = choose(outlook, costs, gate_ranking(outlook, costs), every=True)
    later = outlook.access.test_minutes + every.later_minutes
    near = ranked[: 4 * count]
    soonest = near[np.argsort(later[near], kind="stable")][:count].tolist()
    repair = repair_action(outlook, costs)
    return list(dict.fromkeys([every.action, *ranked[:count].tolist(), *soonest, repair]))


class Rollout:
    """The policy; what follows a state of a small problem is worked out once."""

    def __init__(self) -> None:
        """Nothing is worked out until a job comes."""
        self._followed: dict[int, Expected] = {}

    def decide(self, bench: Bench[Any], state: Any) -> int:
        """See `diagnose.ahead.expected.Policy`."""
        leading = candidates(bench, state)
        if len(leading) == 1:
            return leading[0]
        if isinstance(bench, ProblemBench) and bench.problem.n_sets <= FOLLOWED_THROUGH:
            gate = self._followed.setdefault(id(bench), Expected(bench, gate_action, MOST_FOLLOWED))
            with suppress(TooManyStatesError):
                return min(leading, key=lambda action: gate.minutes_with(state, action))
        return _sampled(bench.thinned(state, HELD), leading)


def _sampled(ahead: ProblemBench, actions: list[int]) -> int:
    """The best of some actions by playing the same jobs after each."""
    gate, world = Expected(ahead, gate_action), ProblemWorld(ahead.problem)
    ends = np.cumsum(ahead.problem.prior)
    dice = []
    for number in range(SAMPLES):
        rng = job_generator(number, 0)
        truth = int(np.searchsorted(ends, rng.random() * ends[-1], side="right"))
        dice.append(Dice.throw(truth, ahead.costs.n_tests, rng))
    minutes = [
        [play(ahead, world, gate.action, thrown, action).minutes for thrown in dice]
        for action in actions
    ]
    return actions[surely_best(np.array(minutes), SURE)]
