"""Which tests a job would ever come to.

A job is followed for every complaint and every single fault that can give it, the unlisted one
included. At each step the rule of `diagnose.rule.decide` says what to do, from the whole belief,
and what is then written down is the outcome that the fault gives by itself. Jobs end where a
repair is due, or handing over. Readings in numbers, slips, two faults at once and what follows a
repair that did not help are left out, so a test that only those call for counts as never chosen.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.ahead.desk import Desk
from diagnose.belief.situation import Finding, Situation
from diagnose.errors import ClashError
from diagnose.rule.decide import decide, look
from diagnose.rule.minutes import to_open

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.review.table import OutcomeTable
    from diagnose.rule.prepared import Prepared

Steps = dict[tuple[str, frozenset[Finding]], int]
"""Complaint and findings -> row of the test done next; -1 where the job ends."""


@dataclass(frozen=True, slots=True, eq=False)
class Practice:
    """Jobs with certain tools.

    Attributes:
        prepared: the machine.
        table: its tests against single faults; faults in the same order.
        wider: what was done with more tools. Where that can be done with these tools too, it is
            done here: nothing ranked before it was worth its minutes.
        steps: what is done with these tools, as far as jobs were followed.
    """

    prepared: Prepared
    table: OutcomeTable
    wider: Mapping[tuple[str, frozenset[Finding]], int]
    steps: Steps = field(default_factory=dict)

    def follow(self, situation: Situation, faults: NDArray[np.int64]) -> None:
        """Note what is done from here on.

        Args:
            situation: what was found and opened.
            faults: those that lead here.
        """
        row = self._step(situation)
        if row < 0:
            return
        test, shown = self.table.tests[row], self.table.predicted[row, faults]
        opened = to_open(self.prepared.machine, test.area, situation.open_areas)
        for outcome in np.unique(shown).tolist():
            finding = Finding(test.id, test.outcomes[outcome].id)
            after = replace(
                situation,
                findings=(*situation.findings, finding),
                open_areas=situation.open_areas | set(opened),
            )
            self.follow(after, faults[shown == outcome])

    def _step(self, situation: Situation) -> int:
        key = (situation.complaint, frozenset(situation.findings))
        row = self.wider.get(key)
        if row is None or (row >= 0 and not situation.at_hand(self.table.tests[row].tool)):
            row = next_test(self.prepared, situation)
        self.steps[key] = row
        return row


def next_test(prepared: Prepared, situation: Situation) -> int:
    """Row of the test to do, -1 where something else is to be done."""
    try:
        belief = prepared.belief(situation)
    except ClashError:
        return -1
    costs, able = prepared.costs, prepared.blamed(situation.complaint, belief)
    standing = Desk.standing_of(prepared, situation)
    hides = prepared.hides[situation.complaint]
    action = decide(look(belief.survey, able, costs, standing, hides), costs).action
    return action if action < costs.n_tests else -1


def follow_jobs(
    prepared: Prepared, table: OutcomeTable, tools: tuple[str, ...], wider: Steps | None = None
) -> Steps:
    """Every job with every complaint of a machine; see `Practice`."""
    practice = Practice(prepared, table, wider or {})
    for complaint, share in zip(prepared.machine.complaints, table.explains, strict=True):
        faults = np.flatnonzero(share > 0.0)
        if len(faults):
            practice.follow(Situation(complaint, tools=frozenset({*tools, "none"})), faults)
    return practice.steps
