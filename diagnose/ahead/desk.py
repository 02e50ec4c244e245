"""A bench over the whole belief of a machine: every state asks for it as advice does."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from diagnose.ahead.bench import MOST_STATES, single_faults, standing
from diagnose.ahead.problem import thinned_problem
from diagnose.ahead.state import ProblemBench
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from diagnose.errors import ClashError
from diagnose.faults.tried import check_results
from diagnose.rule.decide import look
from diagnose.rule.look_again import doubted_before

if TYPE_CHECKING:
    from collections.abc import Collection

    from diagnose.ahead.bench import Floats
    from diagnose.belief.belief import Belief
    from diagnose.rule.decide import Outlook, Standing
    from diagnose.rule.prepared import Prepared


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
    """A machine with a complaint; see `diagnose.ahead.bench.Bench`."""

    def __init__(
        self, prepared: Prepared, situation: Situation, skipped: Collection[str] = ()
    ) -> None:
        """Begins jobs in a situation; tests that are `skipped` are not to be done."""
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
        self.start = self._state(ordered)

    @staticmethod
    def standing_of(
        prepared: Prepared, situation: Situation, skipped: Collection[str] = ()
    ) -> Standing:
        """Where a job on any machine stands in a situation; the check after a repair tried it."""
        done, before = _done(prepared, situation)
        if situation.past and situation.past[-1].repair.check is not None:
            done |= prepared.costs.tests.trying
        return standing(
            prepared.costs,
            open_areas=prepared.costs.area_bits(situation.open_areas),
            done=done,
            before=before,
            never=_never(prepared, situation, skipped),
            repairs=len(situation.past),
            repaired=prepared.costs.repair_bits(
                f"{epoch.repair.part}.{epoch.repair.repair}" for epoch in situation.past
            ),
        )

    def belief(self, state: DeskState) -> Belief:
        """What is believed in a state."""
        return self.prepared.belief(state.situation)

    def outlook(self, state: DeskState) -> Outlook:
        """See `Bench`."""
        belief = self.belief(state)
        able = self.prepared.blamed(state.situation.complaint, belief)
        hides = self.prepared.hides[state.situation.complaint]
        return look(belief.survey, able, self.costs, state.standing, hides)

    def chances(self, state: DeskState, test: int) -> list[float]:
        """See `Bench`."""
        known = self.belief(state).survey
        chances: list[float] = known.chance[known.start[test] : known.start[test + 1]].tolist()
        return chances

    def checks(self, state: DeskState, repair: int) -> list[float]:
        """See `Bench`."""
        found: list[float] = self.prepared.belief(
            self._repaired(state, repair, None)
        ).shows.tolist()
        return found

    def alone(self, state: DeskState) -> Floats:
        """See `Bench`."""
        belief = self.belief(state)
        return single_faults(belief.members, belief.weight, len(self.prepared.faults))

    def thinned(self, state: DeskState, most: int) -> ProblemBench:
        """See `Bench`."""
        complaint = state.situation.complaint
        problem = thinned_problem(self.prepared, complaint, self.belief(state), most)
        never = _never(self.prepared, state.situation, self._skipped)
        found, costs = ProblemBench(problem, state.standing, never), self.prepared.costs
        now, before = _done(self.prepared, state.situation)
        found.start.done = now | (costs.tests.trying if state.situation.past else 0)
        found.start.ever = found.start.done | before
        return found

    def outcome_name(self, test: int, outcome: int) -> str:
        """See `Bench`."""
        return self.prepared.sets.columns.tests[test].outcomes[outcome].id

    def after_test(self, state: DeskState, test: int, outcome: int) -> DeskState | None:
        """See `Bench`."""
        step = (test, outcome)
        if step not in state.later:
            finding = Finding(self.costs.tests.names[test], self.outcome_name(test, outcome))
            findings = self._ordered((*state.situation.findings, finding))
            opened = int(self.costs.at(state.standing.open_areas).test_opens[test])
            situation = replace(state.situation, findings=findings, open_areas=self._areas(opened))
            state.later[step] = self._possible(situation)
        return state.later[step]

    def doubted(self, state: DeskState, action: int) -> int:
        """Number of the test to look at again before an action; -1 for none."""
        belief = self.belief(state)
        if belief.likeliest_slip is None:
            return -1
        doubt = doubted_before(self.prepared, belief, self.outlook(state), action)
        return -1 if doubt is None else self._number[doubt.test]

    def after_look(self, state: DeskState, test: int, outcome: int) -> DeskState | None:
        """See `Bench`."""
        name, seen = self.costs.tests.names[test], self.outcome_name(test, outcome)
        findings = tuple(
            known.looked_again(Finding(name, seen)) if known.test == name else known
            for known in state.situation.findings
        )
        return self._possible(replace(state.situation, findings=findings))

    def after_repair(self, state: DeskState, repair: int, result: int) -> DeskState | None:
        """See `Bench`."""
        step = (self.costs.n_tests + repair, result)
        if step not in state.later:
            results = check_results(self.prepared.machine, state.situation.complaint)
            state.later[step] = self._possible(self._repaired(state, repair, results[result]))
        return state.later[step]

    def _repaired(self, state: DeskState, repair: int, check: str | None) -> Situation:
        part, _, name = self.costs.repairs.names[repair].partition(".")
        epoch = Epoch(state.situation.findings, RepairDone(part, name, check))
        opened = int(self.costs.at(state.standing.open_areas).repair_opens[repair])
        return replace(
            state.situation,
            findings=(),
            past=(*state.situation.past, epoch),
            open_areas=self._areas(opened),
        )

    def _state(self, situation: Situation) -> DeskState:
        return DeskState(situation, self.standing_of(self.prepared, situation, self._skipped))

    def _possible(self, situation: Situation) -> DeskState | None:
        state = self._state(situation)
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

    def _areas(self, bits: int) -> frozenset[str]:
        return frozenset(a for i, a in enumerate(self.costs.area_names) if bits >> i & 1)


def _done(prepared: Prepared, situation: Situation) -> tuple[int, int]:
    """Tests recorded since the last repair, and before it, as bits."""
    past = {finding.test for epoch in situation.past for finding in epoch.findings}
    return _bits(prepared, {f.test for f in situation.findings}), _bits(prepared, past)


def _never(prepared: Prepared, situation: Situation, skipped: Collection[str]) -> int:
    """Tests that cannot be done on a job at all, as bits."""
    tests = prepared.machine.tests.values()
    return _bits(prepared, {*skipped, *(t.id for t in tests if not situation.at_hand(t.tool))})


def _bits(prepared: Prepared, tests: Collection[str]) -> int:
    return sum(1 << place for place, name in enumerate(prepared.costs.tests.names) if name in tests)
