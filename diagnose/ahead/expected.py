"""What advice does as a policy, and the expected minutes of any: every outcome is followed."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from diagnose.ahead.bench import minutes_of
from diagnose.rule.decide import choose, gate_ranking

if TYPE_CHECKING:
    from diagnose.ahead.bench import Bench

Policy = Callable[["Bench[Any]", Any], int]
"""From a bench and a state, and nothing else, to the number of an action: a test, a repair (tests
come first), or to hand over."""


def gate_action(bench: Bench[Any], state: Any) -> int:
    """What advice does: `diagnose.rule.decide`."""
    outlook = bench.outlook(state)
    return choose(outlook, bench.costs, gate_ranking(outlook, bench.costs)).action


class TooManyStatesError(Exception):
    """A tree has more states than are to be followed."""


class Expected:
    """Expected minutes from any state on, for small problems: the whole tree is followed."""

    def __init__(self, bench: Bench[Any], policy: Policy, most: int | None = None) -> None:
        """Nothing is worked out until it is asked for.

        Args:
            bench: where jobs stand.
            policy: what decides.
            most: states followed at most; None: all.
        """
        self._most = most
        self._bench = bench
        self._policy = policy
        self._minutes: dict[object, float] = {}
        self._action: dict[object, int] = {}

    def action(self, state: Any) -> int:
        """What the policy does."""
        if state.key not in self._action:
            self._action[state.key] = self._policy(self._bench, state)
        return self._action[state.key]

    def minutes(self, state: Any) -> float:
        """Expected minutes from here on.

        Raises:
            TooManyStatesError: more states follow than are to be followed.
        """
        if state.key not in self._minutes:
            if self._most is not None and len(self._action) >= self._most:
                raise TooManyStatesError
            self._minutes[state.key] = self.minutes_with(state, self.action(state))
        return self._minutes[state.key]

    def minutes_with(self, state: Any, action: int) -> float:
        """Expected minutes when this is done now and the policy decides from then on."""
        spent, _, after = self._ways(state, action)
        for chance, later in after:
            spent += chance * self.minutes(later)
        return spent

    def spread(self, state: Any, action: int) -> list[tuple[float, float]]:
        """Every way a job can go: its minutes and its probability."""
        spent, over, after = self._ways(state, action)
        ways = [(spent, over)] if over > 0.0 else []
        for chance, later in after:
            beyond = self.spread(later, self.action(later))
            ways += [(spent + minutes, chance * share) for minutes, share in beyond]
        return ways

    def _ways(self, state: Any, action: int) -> tuple[float, float, list[tuple[float, Any]]]:
        """Minutes of an action, chance that it ends the job, chances of the states after it."""
        bench, costs, over = self._bench, self._bench.costs, 0.0
        after: list[tuple[float, Any]] = []
        if action == costs.hand_over:
            over = 1.0
        elif action >= costs.n_tests:
            repair = action - costs.n_tests
            over, *left = bench.checks(state, repair)
            after = [
                (chance, bench.after_repair(state, repair, result))
                for result, chance in enumerate(left, 1)
                if chance > 0.0
            ]
        else:
            chances = bench.chances(state, action)
            after = [(c, bench.after_test(state, action, o)) for o, c in enumerate(chances)]
        possible = [(chance, later) for chance, later in after if later is not None]
        return minutes_of(bench, state, action), over, possible
