"""Which tests a job would ever come to.

A job is followed for every complaint and every single fault that can give it, the unlisted one
included: bits per minute rank the tests, the expected cost of repair decides whether one is worth
doing (`diagnose.advice.ranking`), and the outcome written down is the one that the fault gives.
Beliefs are those of exactly one fault, with the tests' blur, slips and chances of seeing damage
as in the network; two faults at once, readings in numbers and findings after a failed repair are
left out, so a test that only those call for counts as not chosen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.advice.repair_cost import RepairList, expected_minutes, list_repairs
from diagnose.network.outcomes import COMPLAINT_FITS, COMPLAINT_SLIPS
from diagnose.review.isolation import Node, at_hand, entropy_bits, ranked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.review.table import OutcomeTable

Floats = NDArray[np.float64]

FIRST_LOOK = 6
"""So many of the best ranked tests are weighed before all the others: mostly one is enough."""


@dataclass(frozen=True, slots=True, eq=False)
class Practice:
    """What following jobs takes, for one complaint.

    Attributes:
        table: tests against single faults.
        chosen: rows of the tests with a tool at hand.
        explains: (faults,) share of the time that each fault gives the complaint.
        repairs: all repairs.
    """

    table: OutcomeTable
    chosen: tuple[int, ...]
    explains: Floats
    repairs: RepairList

    def tests_done(self) -> set[int]:
        """Rows of the tests done in at least one job with this complaint."""
        table, used = self.table, set[int]()
        begin = np.flatnonzero(self.explains > 0.0)
        prior = table.priors * (
            COMPLAINT_SLIPS + (COMPLAINT_FITS - COMPLAINT_SLIPS) * self.explains
        )
        nodes = [(Node(begin), prior / prior.sum())] if len(begin) and prior.sum() > 0.0 else []
        while nodes:
            node, beliefs = nodes.pop()
            row = self.next_test(node, beliefs)
            if row < 0:
                continue
            used.add(row)
            done = node.after(table.machine, row, table.tests[row])
            for child in done.split(table.predicted[row]):
                outcome = table.predicted[row, child.faults[0]]
                after = beliefs * table.chances[row, :-1, outcome]
                if after.sum() > 0.0:
                    nodes.append((child, after / after.sum()))
        return used

    def next_test(self, node: Node, beliefs: Floats) -> int:
        """Row of the best ranked test that is worth its minutes, -1 when none is.

        Args:
            node: where the job stands.
            beliefs: (faults,) probability of each fault being the one.
        """
        rows = at_hand(self.table, self.chosen, node.done)
        joint = beliefs[:, None] * self.table.chances[rows, :-1]
        chances = joint.sum(axis=1)
        noise = entropy_bits(self.table.chances[rows, :-1]) @ beliefs
        order = ranked(self.table, node, rows, entropy_bits(chances) - noise)
        now = float(self._repair_minutes(beliefs[None], node)[0])
        place = {row: i for i, row in enumerate(rows)}
        for some in (order[:FIRST_LOOK], order[FIRST_LOOK:]):
            worth = self._worth(some, joint[[place[row] for row in some]], node, now)
            if worth >= 0:
                return worth
        return -1

    def _worth(self, rows: Sequence[int], joint: Floats, node: Node, now: float) -> int:
        """The first of these tests that is expected to save minutes, -1 when none is.

        Args:
            rows: tests, best ranked first.
            joint: (rows, faults, outcomes) probability of fault and outcome together.
            node: where the job stands.
            now: expected minutes when repairing at once.
        """
        for i, row in enumerate(rows):
            done = node.after(self.table.machine, row, self.table.tests[row])
            chances = joint[i].sum(axis=0)
            possible = chances > 0.0
            after = (joint[i][:, possible] / chances[possible]).T
            later = chances[possible] @ self._repair_minutes(after, done)
            if done.minutes - node.minutes + later < now - 1e-6:
                return row
        return -1

    def _repair_minutes(self, beliefs: Floats, node: Node) -> Floats:
        """(cases,) expected minutes of repairing without further tests."""
        machine = self.table.machine
        minutes = np.tile(self.repairs.minutes(machine, node.open_areas), (len(beliefs), 1))
        costs, first = np.empty(len(beliefs)), np.empty(len(beliefs), np.int64)
        blamed = np.ascontiguousarray(beliefs * self.explains)
        expected_minutes(
            blamed, self.repairs.fixes, minutes, machine.shop.escalate_minutes, costs, first
        )
        return costs


def never_chosen(table: OutcomeTable, chosen: Sequence[int]) -> tuple[int, ...]:
    """Rows of the tests at hand that no job followed here comes to."""
    repairs = list_repairs(table.machine, table.faults)
    used = set[int]()
    for explains in table.explains:
        used |= Practice(table, tuple(chosen), explains, repairs).tests_done()
    return tuple(row for row in chosen if row not in used)
