"""Expected minutes of a policy, exactly, by following every outcome."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from diagnose.decision.policies import Policy
    from diagnose.decision.state import Bench, State


class Expected:
    """Expected minutes from any state on, for small problems: the whole tree is followed."""

    def __init__(self, bench: Bench, policy: Policy) -> None:
        """For one policy on one bench."""
        self._bench = bench
        self._policy = policy
        self._minutes: dict[object, float] = {}
        self._action: dict[object, int] = {}

    def action(self, state: State) -> int:
        """What the policy does."""
        found = self._action.get(state.key)
        if found is None:
            found = self._action[state.key] = self._policy.decide(self._bench, state)
        return found

    def minutes(self, state: State) -> float:
        """Expected minutes from here on."""
        found = self._minutes.get(state.key)
        if found is None:
            found = self._minutes[state.key] = self.minutes_with(state, self.action(state))
        return found

    def minutes_with(self, state: State, action: int) -> float:
        """Expected minutes when this is done now and the policy decides from then on."""
        bench = self._bench
        p = bench.problem
        spent = bench.minutes(state, action)
        if action == p.escalate:
            return spent
        if action >= p.n_tests:
            repair = action - p.n_tests
            failed = bench.after_repair(state, repair)
            if failed is None:
                return spent
            return spent + self.chance_same(state, repair) * self.minutes(failed)
        for outcome, chance in enumerate(self.chances(state, action)):
            after = bench.after_test(state, action, outcome)
            if after is not None:
                spent += chance * self.minutes(after)
        return spent

    def spread(self, state: State, action: int) -> list[tuple[float, float]]:
        """Every way a job can go: its minutes and its probability."""
        bench = self._bench
        p, spent = bench.problem, bench.minutes(state, action)
        if action == p.escalate:
            return [(spent, 1.0)]
        after: list[tuple[float, State | None]]
        if action >= p.n_tests:
            same = self.chance_same(state, action - p.n_tests)
            found = [(spent, 1.0 - same)]
            after = [(same, bench.after_repair(state, action - p.n_tests))]
        else:
            chances = self.chances(state, action)
            found = []
            after = [(p, bench.after_test(state, action, o)) for o, p in enumerate(chances)]
        for chance, later in after:
            if later is not None:
                ways = self.spread(later, self.action(later))
                found += [(spent + minutes, chance * share) for minutes, share in ways]
        return found

    def chances(self, state: State, test: int) -> list[float]:
        """Probability of each outcome of a test."""
        tables = self._bench.problem.tables
        columns = slice(int(tables.start[test]), int(tables.start[test + 1]))
        found: list[float] = (state.weight @ tables.like[state.active, columns]).tolist()
        return found

    def chance_same(self, state: State, repair: int) -> float:
        """Chance that the complaint is still there after a repair."""
        p = self._bench.problem
        left = p.repairs.after[repair][state.active]
        bad = p.repairs.bad[repair]
        same = p.same[left]
        if bad.any():
            joined = p.repairs.joined[left]
            known = joined >= 0
            share = np.where(known, bad, 0.0)
            worse = (share * p.same[np.where(known, joined, 0)]).sum(axis=1)
            same = (1.0 - share.sum(axis=1)) * same + worse
        return float(state.weight @ same)
