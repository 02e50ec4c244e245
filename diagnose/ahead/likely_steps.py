"""The likeliest way a job goes on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from diagnose.ahead.bench import Bench
    from diagnose.ahead.expected import Expected


@dataclass(frozen=True, slots=True)
class Step:
    """A likely step.

    Attributes:
        action: test id, `part.repair` or `escalate`.
        outcome: its likeliest outcome, by number; for a repair 0 when the complaint is likely to
            stay, 1 when it is likely to be gone; -1 for handing over.
        probability: that all comes this way up to and with this outcome.
    """

    action: str
    outcome: int
    probability: float


def next_steps(
    bench: Bench[Any], gate: Expected, count: int = 2, first: int | None = None
) -> tuple[Step, ...]:
    """The likeliest way from the start: at each step the likeliest outcome.

    Args:
        bench: where the job begins.
        gate: decides.
        count: steps at most.
        first: what is done first; default: what the gate decides.
    """
    costs, state, share = bench.costs, bench.start, 1.0
    found: list[Step] = []
    for number in range(count):
        action = gate.action(state) if first is None or number else first
        after: Any = None
        outcome = -1
        if action < costs.n_tests:
            chances = bench.chances(state, action)
            outcome = int(np.argmax(chances))
            share *= chances[outcome]
            after = bench.after_test(state, action, outcome)
        elif action != costs.hand_over:
            same = bench.chance_same(state, action - costs.n_tests)
            outcome = int(same < 0.5)
            share *= max(same, 1.0 - same)
            after = bench.after_repair(state, action - costs.n_tests) if outcome == 0 else None
        found.append(Step(costs.action_name(action), outcome, share))
        if after is None:
            break
        state = after
    return tuple(found)
