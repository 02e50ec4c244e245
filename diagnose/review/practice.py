"""Which tests a job would ever come to.

A job is followed for every complaint and every single fault that can give it, the unlisted one
included. At each step the verdict is that of `diagnose.advice`, from the whole network: bits per
added minute rank the tests, and the first that is worth its minutes is done. What is then written
down is the outcome that the fault gives by itself. Jobs end where a repair is due. Readings in
numbers, slips, two faults at once and what follows a repair that did not help are left out, so a
test that only those call for counts as never chosen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.rule.minutes import to_open
from diagnose.advice.ranking import look_ahead
from diagnose.belief.situation import Finding, Situation, encode
from diagnose.errors import ClashError
from diagnose.review.isolation import SCORE_DIGITS

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from diagnose.advice.ranking import Candidate
    from diagnose.machine.model import Test
    from diagnose.network.ready import ReadyMachine
    from diagnose.review.table import OutcomeTable

StepKey = tuple[str, frozenset[Finding]]
Steps = dict[StepKey, str | None]
"""Complaint and findings -> id of the test done next; None where the job ends."""


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
    """

    ready: ReadyMachine
    table: OutcomeTable
    tools: frozenset[str]

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
        try:
            outlook = look_ahead(self.ready, situation, encode(self.ready, situation))
        except ClashError:
            return None
        worth = [one for one in outlook.candidates if one.worth_doing]
        return min(worth, key=_rank).test.id if worth else None


def _rank(one: Candidate) -> tuple[float, float, str]:
    """Order of candidates with rounding, so that ties fall alike on every computer."""
    return -round(one.bits_per_added_minute, SCORE_DIGITS), one.minutes, one.test.id


def follow_jobs(
    ready: ReadyMachine,
    table: OutcomeTable,
    tools: Collection[str],
    wider: Steps | None = None,
) -> Steps:
    """Every job with every complaint of a machine; see `Practice.follow`."""
    practice = Practice(ready, table, frozenset(tools))
    steps: Steps = {}
    for complaint in ready.machine.complaints:
        steps |= practice.follow(complaint, wider)
    return steps
