"""Which tests a job would ever come to.

A job is followed for every complaint and every single fault that can give it, the unlisted one
included. At each step the verdict is that of `diagnose.advice`, from the whole network: bits per
minute rank the tests, and the first that is worth its minutes is done. What is then written down
is the outcome that the fault gives by itself. Jobs end where a repair is due. Readings in numbers,
slips, two faults at once and what follows a repair that did not help are left out, so a test that
only those call for counts as never chosen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.advice.minutes import opening_minutes, to_open
from diagnose.advice.ranking import MINIMUM_GAIN_BITS, available_tests, fault_codes, look_ahead
from diagnose.advice.repair_cost import RepairList, expected_minutes, guilt, list_repairs
from diagnose.advice.situation import Finding, Situation, encode
from diagnose.errors import ClashError
from diagnose.review.isolation import SCORE_DIGITS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from diagnose.advice.ranking import Candidate
    from diagnose.machine.model import Test
    from diagnose.network.ready import ReadyMachine
    from diagnose.review.table import OutcomeTable

Floats = NDArray[np.float64]

StepKey = tuple[str, frozenset[Finding]]
Steps = dict[StepKey, str | None]
"""Complaint and findings -> id of the test done next; None where the job ends."""

FIRST_LOOK = 6
"""So many of the best ranked tests are weighed before the others: mostly one of them is done."""


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """Jobs that went the same way so far.

    Attributes:
        situation: what was found and opened.
        faults: the faults that lead here.
    """

    situation: Situation
    faults: NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Practice:
    """What following jobs takes.

    Attributes:
        ready: the machine with its network.
        table: its tests against single faults; faults in the same order.
        tools: tools at hand.
        repairs: all repairs.
        codes: (faults,) where each fault stands among all states.
    """

    ready: ReadyMachine
    table: OutcomeTable
    tools: frozenset[str]
    repairs: RepairList
    codes: NDArray[np.int64]

    def follow(self, complaint: str, wider: Steps | None = None) -> Steps:
        """All jobs with this complaint: the findings met on the way -> test done then, or None.

        Args:
            complaint: id of the complaint.
            wider: what was done with more tools. Where that can be done with these tools too, it
                is done here: nothing ranked before it was worth its minutes.
        """
        share = self.table.explains[list(self.table.machine.complaints).index(complaint)]
        begin = Situation(complaint, tools=self.tools | {"none"})
        left = [Followed(begin, np.flatnonzero(share > 0.0))]
        row_of = {test.id: row for row, test in enumerate(self.table.tests)}
        steps: Steps = {}
        while left:
            one = left.pop()
            if not len(one.faults):
                continue
            key = (complaint, frozenset(one.situation.findings))
            test = self._step(one.situation, key, wider or {})
            steps[key] = test
            if test is None:
                continue
            shown = self.table.predicted[row_of[test], one.faults]
            for outcome in np.unique(shown):
                after = self._after(one.situation, self.table.machine.tests[test], int(outcome))
                left.append(Followed(after, one.faults[shown == outcome]))
        return steps

    def _step(self, situation: Situation, key: StepKey, wider: Steps) -> str | None:
        test = wider.get(key, "")
        if test is None or (test and situation.at_hand(self.table.machine.tests[test].tool)):
            return test
        return self.next_test(situation)

    def _after(self, situation: Situation, test: Test, outcome: int) -> Situation:
        opened = to_open(self.table.machine, test.area, situation.open_areas)
        return replace(
            situation,
            findings=(*situation.findings, Finding(test.id, test.outcomes[outcome].id)),
            open_areas=situation.open_areas | set(opened),
        )

    def next_test(self, situation: Situation) -> str | None:
        """The test that the advice asks for; None when it asks for something else."""
        ready, findings = self.ready, encode(self.ready, situation)
        try:
            beliefs = ready.compiled.beliefs(findings)
        except ClashError:
            return None
        gains = beliefs.gains_bits
        tests = [test for test in available_tests(ready, situation) if test.id in gains]
        minutes = self._may_be_worth(situation, tests, beliefs.marginals[self.codes])
        order = [test for test in minutes if gains[test] > MINIMUM_GAIN_BITS]
        order.sort(key=lambda test: -gains[test] / minutes[test])
        for some in (order[:FIRST_LOOK], order[FIRST_LOOK:]):
            skipped = ready.machine.tests.keys() - set(some)
            outlook = look_ahead(ready, situation, findings, skipped) if some else None
            worth = [c for c in outlook.candidates if outlook.worth_doing(c)] if outlook else []
            if worth:
                return min(worth, key=_rank).test.id
        return None

    def _may_be_worth(
        self, situation: Situation, tests: Iterable[Test], faults: Floats
    ) -> dict[str, float]:
        """Tests that could save more minutes than they take, with their minutes.

        No test saves more than knowing the fault would: then the cheapest repair that fixes it
        is done and nothing else. That bound needs no propagation.
        """
        machine = self.table.machine
        blamed = guilt(self.ready, situation.complaint, faults)
        now = self._repair_minutes(blamed, situation.open_areas)
        bounds: dict[tuple[str, ...], float] = {}
        kept = {}
        for test in tests:
            opens = to_open(machine, test.area, situation.open_areas)
            if opens not in bounds:
                bounds[opens] = self._known_minutes(blamed, situation.open_areas | set(opens))
            minutes = test.minutes + opening_minutes(machine, opens)
            if minutes + bounds[opens] < now:
                kept[test.id] = minutes
        return kept

    def _repair_minutes(self, blamed: Floats, open_areas: frozenset[str]) -> float:
        machine = self.table.machine
        minutes = self.repairs.minutes(machine, open_areas)[None]
        costs, first = np.empty(1), np.empty(1, np.int64)
        expected_minutes(
            np.ascontiguousarray(blamed[None]),
            self.repairs.fixes,
            minutes,
            machine.shop.escalate_minutes,
            costs,
            first,
        )
        return float(costs[0])

    def _known_minutes(self, blamed: Floats, open_areas: frozenset[str]) -> float:
        """Expected minutes of repair if the fault were known."""
        machine = self.table.machine
        hand_over = machine.shop.escalate_minutes
        minutes = self.repairs.minutes(machine, open_areas)[:, None]
        each = np.where(self.repairs.fixes != 0, minutes, hand_over).min(axis=0, initial=hand_over)
        return float(blamed @ each + (1.0 - blamed.sum()) * hand_over)


def _rank(one: Candidate) -> tuple[float, float, str]:
    """Order of candidates with rounding, so that ties fall alike on every computer."""
    return -round(one.bits_per_minute, SCORE_DIGITS), one.minutes, one.test.id


def follow_jobs(
    ready: ReadyMachine,
    table: OutcomeTable,
    tools: Collection[str],
    wider: Steps | None = None,
) -> Steps:
    """Every job with every complaint of a machine; see `Practice.follow`."""
    repairs = list_repairs(ready.machine, ready.faults)
    practice = Practice(ready, table, frozenset(tools), repairs, fault_codes(ready))
    steps: Steps = {}
    for complaint in ready.machine.complaints:
        steps |= practice.follow(complaint, wider)
    return steps
