"""Expected minutes of a policy, exactly, by following every outcome."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnose.ahead.bench import minutes_of

if TYPE_CHECKING:
    from diagnose.ahead.bench import Bench
    from diagnose.ahead.policies import Policy


class Expected:
    """Expected minutes from any state on, for small problems: the whole tree is followed."""

    def __init__(self, bench: Bench[Any], policy: Policy) -> None:
        """For one policy on one bench."""
        self._bench = bench
        self._policy = policy
        self._minutes: dict[object, float] = {}
        self._action: dict[object, int] = {}

    def action(self, state: Any) -> int:
        """What the policy does."""
        found = self._action.get(state.key)
        if found is None:
            found = self._action[state.key] = self._policy.decide(self._bench, state)
        return found

    def minutes(self, state: Any) -> float:
        """Expected minutes from here on."""
        found = self._minutes.get(state.key)
        if found is None:
            found = self._minutes[state.key] = self.minutes_with(state, self.action(state))
        return found

    def minutes_with(self, state: Any, action: int) -> float:
        """Expected minutes when this is done now and the policy decides from then on."""
        bench = self._bench
        costs = bench.costs
        spent = minutes_of(bench, state, action)
        if action == costs.hand_over:
            return spent
        if action >= costs.n_tests:
            repair = action - costs.n_tests
            failed = bench.after_repair(state, repair)
            if failed is None:
                return spent
            return spent + bench.chance_same(state, repair) * self.minutes(failed)
        for outcome, chance in enumerate(bench.chances(state, action)):
            after = bench.after_test(state, action, outcome)
            if after is not None:
                spent += chance * self.minutes(after)
        return spent

    def spread(self, state: Any, action: int) -> list[tuple[float, float]]:
        """Every way a job can go: its minutes and its probability."""
        bench = self._bench
        costs, spent = bench.costs, minutes_of(bench, state, action)
        if action == costs.hand_over:
            return [(spent, 1.0)]
        after: list[tuple[float, Any]]
        if action >= costs.n_tests:
            repair = action - costs.n_tests
            same = bench.chance_same(state, repair)
            found = [(spent, 1.0 - same)]
            after = [(same, bench.after_repair(state, repair))]
        else:
            chances = bench.chances(state, action)
            found = []
            after = [(c, bench.after_test(state, action, o)) for o, c in enumerate(chances)]
        for chance, later in after:
            if later is not None:
                ways = self.spread(later, self.action(later))
                found += [(spent + minutes, chance * share) for minutes, share in ways]
        return found
