"""A bench over the whole belief of a machine: every state asks for it as advice does."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.ahead.problem import thinned_problem
from diagnose.ahead.standing import standing
from diagnose.ahead.state import ProblemBench
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from diagnose.errors import ClashError
from diagnose.rule.decide import look

if TYPE_CHECKING:
    from collections.abc import Collection

    from diagnose.belief.belief import Belief
    from diagnose.rule.decide import Outlook, Standing
    from diagnose.rule.prepared import Prepared

Floats = NDArray[np.float64]

MOST_STATES = 20_000
"""So many states are kept before all are forgotten and worked out anew."""


@dataclass(frozen=True, slots=True, eq=False)
class DeskState:
    """A situation, and where the job stands in it.

    Attributes:
        situation: what was found and done; findings between two repairs in the order of the file.
        standing: what is open, barred and done.
        key: see `diagnose.ahead.bench.State`.
        later: what follows, by (action, outcome).
    """

    situation: Situation
    standing: Standing
    later: dict[tuple[int, int], DeskState | None] = field(default_factory=dict)

    @property
    def key(self) -> Situation:
        """The situation says all."""
        return self.situation


class Desk:
    """A machine with a complaint; see `diagnose.ahead.bench.Bench`.

    Attributes:
        prepared: the machine.
        costs: what everything costs.
        start: the state as the job begins.
    """

    def __init__(
        self, prepared: Prepared, situation: Situation, skipped: Collection[str] = ()
    ) -> None:
        """For a job.

        Args:
            prepared: the machine.
            situation: where its jobs begin.
            skipped: tests that are not to be done.
        """
        self.prepared = prepared
        self.costs = prepared.costs
        self._number = {test: place for place, test in enumerate(self.costs.tests.names)}
        self._skipped = tuple(skipped)
        self._kept = 0
        ordered = replace(
            situation,
            findings=self._ordered(situation.findings),
            past=tuple(replace(e, findings=self._ordered(e.findings)) for e in situation.past),
        )
        self.start = DeskState(ordered, self.standing(ordered))

    def standing(self, situation: Situation) -> Standing:
        """Where a job stands in a situation."""
        return self.standing_of(self.prepared, situation, self._skipped)

    @staticmethod
    def standing_of(
        prepared: Prepared, situation: Situation, skipped: Collection[str] = ()
    ) -> Standing:
        """The same for any machine."""
        number = {test: place for place, test in enumerate(prepared.costs.tests.names)}
        tests = prepared.machine.tests.values()
        never = {*skipped, *(test.id for test in tests if not situation.at_hand(test.tool))}
        past = {finding.test for epoch in situation.past for finding in epoch.findings}
        return standing(
            prepared.costs,
            open_areas=prepared.costs.area_bits(situation.open_areas),
            done=sum(1 << number[finding.test] for finding in situation.findings),
            before=sum(1 << number[test] for test in past),
            never=sum(1 << number[test] for test in never),
            repairs=len(situation.past),
        )

    def belief(self, state: DeskState) -> Belief:
        """What is believed in a state."""
        return self.prepared.belief(state.situation)

    def outlook(self, state: DeskState) -> Outlook:
        """See `Bench`."""
        able = self.prepared.able(state.situation.complaint)
        return look(self.belief(state).survey, able, self.costs, state.standing)

    def chances(self, state: DeskState, test: int) -> list[float]:
        """See `Bench`."""
        known = self.belief(state).survey
        found: list[float] = known.chance[known.start[test] : known.start[test + 1]].tolist()
        return found

    def chance_same(self, state: DeskState, repair: int) -> float:
        """See `Bench`."""
        after = self.after_repair(state, repair)
        return 0.0 if after is None else self.belief(after).surprises[-1].chance

    def alone(self, state: DeskState) -> Floats:
        """See `Bench`."""
        belief, n = self.belief(state), len(self.prepared.faults)
        single = (belief.members < n).sum(axis=1) == 1
        own = belief.members[single].min(axis=1)
        return np.bincount(own, belief.weight[single], n)[:n].astype(np.float64)

    def thinned(self, state: DeskState, most: int) -> ProblemBench:
        """See `Bench`."""
        complaint = state.situation.complaint
        problem = thinned_problem(self.prepared, complaint, self.belief(state), most)
        return ProblemBench(problem, state.standing, self._never(state.situation))

    def after_test(self, state: DeskState, test: int, outcome: int) -> DeskState | None:
        """See `Bench`."""
        step = (test, outcome)
        if step not in state.later:
            known = self.prepared.sets.columns.tests[test]
            finding = Finding(known.id, known.outcomes[outcome].id)
            findings = self._ordered((*state.situation.findings, finding))
            opened = int(self.costs.at(state.standing.open_areas).test_opens[test])
            situation = replace(state.situation, findings=findings, open_areas=self._areas(opened))
            state.later[step] = self._possible(situation)
        return state.later[step]

    def after_repair(self, state: DeskState, repair: int) -> DeskState | None:
        """See `Bench`."""
        step = (self.costs.n_tests + repair, 0)
        if step not in state.later:
            part, _, name = self.costs.repairs.names[repair].partition(".")
            epoch = Epoch(state.situation.findings, RepairDone(part, name, gone=False))
            opened = int(self.costs.at(state.standing.open_areas).repair_opens[repair])
            situation = replace(
                state.situation,
                findings=(),
                past=(*state.situation.past, epoch),
                open_areas=self._areas(opened),
            )
            state.later[step] = self._possible(situation)
        return state.later[step]

    def _possible(self, situation: Situation) -> DeskState | None:
        state = DeskState(situation, self.standing(situation))
        try:
            self.belief(state)
        except ClashError:
            return None
        self._kept += 1
        if self._kept > MOST_STATES:
            self.start.later.clear()
            self._kept = 0
        return state

    def _ordered(self, findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
        return tuple(sorted(findings, key=lambda finding: self._number[finding.test]))

    def _never(self, situation: Situation) -> int:
        """Tests that cannot be done on this job at all, as bits."""
        tests = self.prepared.machine.tests.values()
        never = {*self._skipped, *(t.id for t in tests if not situation.at_hand(t.tool))}
        return sum(1 << self._number[test] for test in never)

    def _areas(self, bits: int) -> frozenset[str]:
        return frozenset(a for i, a in enumerate(self.costs.area_names) if bits >> i & 1)
