"""Rollout: of the best few candidates, the one after which the gate takes the fewest minutes.

One step of policy improvement (Bertsekas, Tsitsiklis & Wu 1997; Tu & Pattipati 2003): never worse
than the policy it starts from, up to the error of sampling. On small machines the gate is followed
through every outcome; on large ones the same few jobs are played for every candidate (common
random numbers), and another action than the gate's is taken only when it is better by more than
`SURE` standard errors of the difference.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice import repair_kernels
from diagnose.decision.expected import Expected
from diagnose.decision.play import Dice, play
from diagnose.decision.policies import Gate, gate_ranking, gated, look, repair_action
from diagnose.decision.state import Bench

if TYPE_CHECKING:
    from diagnose.decision.policies import View
    from diagnose.decision.state import State

SAMPLES = 48
"""Jobs played for each candidate on a large machine."""

SURE = 1.5
"""Standard errors by which another action must be better than the gate's."""

FOLLOWED_THROUGH = 64
"""Up to so many hypotheses every outcome is followed instead."""

CANDIDATES = 3
"""Tests considered by each of the two rankings."""


def candidates(bench: Bench, state: State, view: View, count: int = CANDIDATES) -> list[int]:
    """Actions worth a closer look, the gate's first.

    The best tests by bits per minute, the best by minutes saved one step ahead, and the repair.
    """
    ranked = view.ranking(view.gain_bits / view.added_minutes)
    gate = gated(bench, state, view, gate_ranking(bench, state, view))
    found = [gate, *(int(t) for t in ranked[:count])]
    later = {int(t): _with_repairs_after(bench, state, int(t)) for t in ranked[: 4 * count]}
    found += sorted(later, key=lambda t: float(view.minutes[t]) + later[t])[:count]
    found.append(repair_action(bench.problem, state, view))
    return list(dict.fromkeys(found))


def _with_repairs_after(bench: Bench, state: State, test: int) -> float:
    p, costs = bench.problem, bench.at(state)
    return float(
        repair_kernels.minutes_after(
            p.tables,
            state.active,
            state.weight,
            test,
            int(costs.test_opens[test]),
            p.escalate_minutes,
        )
    )


@dataclass(frozen=True, slots=True)
class Rollout:
    """The policy.

    Attributes:
        samples: jobs played for each candidate.
    """

    samples: int = SAMPLES

    def decide(self, bench: Bench, state: State) -> int:
        """See `diagnose.decision.policies.Policy`."""
        found = candidates(bench, state, look(bench, state))
        if len(found) == 1:
            return found[0]
        ahead = Bench.beginning_at(bench, state)
        gate = Expected(ahead, Gate())
        if bench.problem.n_hypotheses <= FOLLOWED_THROUGH:
            return min(found, key=lambda action: gate.minutes_with(ahead.start, action))
        return self._sampled(ahead, gate, found)

    def _sampled(self, ahead: Bench, gate: Expected, found: list[int]) -> int:
        dice = [Dice.of_state(ahead.problem, ahead.start, k) for k in range(self.samples)]
        minutes = np.array(
            [
                [play(ahead, gate.action, one, action=action).minutes for one in dice]
                for action in found
            ]
        )
        saved = minutes[0] - minutes[1:]
        error = saved.std(axis=1, ddof=1) / np.sqrt(self.samples)
        sure = saved.mean(axis=1) - SURE * error
        best = int(np.argmax(sure))
        return found[best + 1] if sure[best] > 0.0 else found[0]
