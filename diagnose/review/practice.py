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

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from diagnose.machine.model import Test
    from diagnose.network.ready import ReadyMachine
    from diagnose.review.table import OutcomeTable

Floats = NDArray[np.float64]

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

    def tests_done(self, complaint: str) -> set[str]:
        """Tests done in at least one job with this complaint."""
        share = self.table.explains[list(self.table.machine.complaints).index(complaint)]
        left = [Followed(Situation(complaint, tools=self.tools), np.flatnonzero(share > 0.0))]
        row_of = {test.id: row for row, test in enumerate(self.table.tests)}
        done = set[str]()
        while left:
            one = left.pop()
            test = self.next_test(one.situation) if len(one.faults) else None
            if test is None:
                continue
            done.add(test.id)
            shown = self.table.predicted[row_of[test.id], one.faults]
            for outcome in np.unique(shown):
                found = Finding(test.id, test.outcomes[outcome].id)
                after = self._after(one.situation, test, found)
                left.append(Followed(after, one.faults[shown == outcome]))
        return done

    def _after(self, situation: Situation, test: Test, found: Finding) -> Situation:
        opened = to_open(self.table.machine, test.area, situation.open_areas)
        return replace(
            situation,
            findings=(*situation.findings, found),
            open_areas=situation.open_areas | set(opened),
        )

    def next_test(self, situation: Situation) -> Test | None:
        """The test that the advice asks for; None when it asks for something else."""
        ready, findings = self.ready, encode(self.ready, situation)
        try:
            beliefs = ready.compiled.beliefs(findings)
        except ClashError:
            return None
        tests = [t for t in available_tests(ready, situation) if t.id in beliefs.gains_bits]
        kept = self._may_be_worth(situation, tests, beliefs.marginals[self.codes])
        order = sorted(kept, key=lambda t: -beliefs.gains_bits[t.id] / kept[t])
        order = [test for test in order if beliefs.gains_bits[test.id] > MINIMUM_GAIN_BITS]
        everything = set(ready.machine.tests)
        for some in (order[:FIRST_LOOK], order[FIRST_LOOK:]):
            if not some:
                break
            skipped = everything - {test.id for test in some}
            outlook = look_ahead(ready, situation, findings, skipped)
            worth = [one for one in outlook.candidates if outlook.worth_doing(one)]
            if worth:
                return worth[0].test
        return None

    def _may_be_worth(
        self, situation: Situation, tests: Iterable[Test], faults: Floats
    ) -> dict[Test, float]:
        """Tests that could save more minutes than they take, with their minutes.

        No test saves more than knowing the fault would: then the cheapest repair that fixes it
        is done and nothing else. That bound needs no propagation.
        """
        machine, ready = self.table.machine, self.ready
        blamed = guilt(ready, situation.complaint, faults)
        now = self._repair_minutes(blamed, situation.open_areas)
        bounds: dict[tuple[str, ...], float] = {}
        kept = {}
        for test in tests:
            opens = to_open(machine, test.area, situation.open_areas)
            if opens not in bounds:
                bounds[opens] = self._known_minutes(blamed, situation.open_areas | set(opens))
            minutes = test.minutes + opening_minutes(machine, opens)
            if minutes + bounds[opens] < now:
                kept[test] = minutes
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


def never_chosen(
    ready: ReadyMachine, table: OutcomeTable, tools: Collection[str], tests: Sequence[str]
) -> tuple[str, ...]:
    """Those of `tests` that no job followed here comes to.

    Args:
        ready: the machine with its network.
        table: its tests against single faults.
        tools: tools at hand; the network's own word for none of them is an empty set of others.
        tests: ids of the tests that these tools allow.
    """
    repairs = list_repairs(ready.machine, ready.faults)
    practice = Practice(ready, table, frozenset(tools), repairs, fault_codes(ready))
    done = set[str]().union(*(practice.tests_done(one) for one in ready.machine.complaints))
    return tuple(test for test in tests if test not in done)
