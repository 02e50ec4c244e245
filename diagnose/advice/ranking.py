"""What every test would bring, and what it would cost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.advice.minutes import opening_minutes, to_open
from diagnose.advice.repair_cost import RepairList, expected_minutes, guilt, list_repairs

if TYPE_CHECKING:
    from collections.abc import Collection

    from diagnose.advice.situation import Situation
    from diagnose.inference.beliefs import Beliefs
    from diagnose.inference.findings import Findings
    from diagnose.inference.whatif import WhatIf
    from diagnose.machine.model import Test
    from diagnose.network.ready import ReadyMachine

Floats = NDArray[np.float64]

MINIMUM_GAIN_BITS = 1e-6
"""Below this a test tells nothing; differences are rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A test that could be done now.

    Attributes:
        test: the test.
        opens: areas to open first.
        minutes: labour, opening included.
        gain_bits: information about the state of the parts.
        chances: (outcomes,) probability of each outcome.
        faults: (outcomes, faults) posterior of every fault after each outcome.
        later_minutes: expected minutes to repair after the test, its own minutes not included.
    """

    test: Test
    opens: tuple[str, ...]
    minutes: float
    gain_bits: float
    chances: Floats
    faults: Floats
    later_minutes: float

    @property
    def bits_per_minute(self) -> float:
        """The ranking."""
        return self.gain_bits / self.minutes


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """Everything that the verdict and the explanation are made from.

    Attributes:
        beliefs: posterior of every node.
        faults: (faults,) posterior of every fault.
        repairs: all repairs.
        repair_minutes: expected minutes when repairing without further tests.
        first_repair: row of `repairs` to begin with, -1 to hand over.
        candidates: tests, most bits per minute first.
    """

    beliefs: Beliefs
    faults: Floats
    repairs: RepairList
    repair_minutes: float
    first_repair: int
    candidates: tuple[Candidate, ...]

    def worth_doing(self, one: Candidate) -> bool:
        """Whether testing first is expected to save minutes (the gate)."""
        return one.minutes + one.later_minutes < self.repair_minutes - 1e-9


def fault_codes(ready: ReadyMachine) -> NDArray[np.int64]:
    """(faults,) where each fault's probability stands in a vector of all states."""
    return np.array([ready.compiled.code(part, mode) for part, mode in ready.faults])


def fault_nodes(ready: ReadyMachine) -> list[str]:
    """The nodes whose states are the faults: all parts, and what the file does not list."""
    return list(dict.fromkeys(part for part, _ in ready.faults))


def _fault_columns(ready: ReadyMachine, ahead: WhatIf) -> NDArray[np.int64]:
    """(faults,) where each fault's probability stands in the answer about `fault_nodes`."""
    start = dict(zip(ahead.nodes, ahead.state_offsets[:-1].tolist(), strict=True))
    names = {part: ready.compiled.states(part) for part in ahead.nodes}
    return np.array([start[part] + names[part].index(mode) for part, mode in ready.faults])


def available_tests(ready: ReadyMachine, situation: Situation) -> list[Test]:
    """Tests not done yet, with their tool at hand and what they need first done."""
    done = {one.test for one in situation.findings}
    return [
        test
        for test in ready.machine.tests.values()
        if test.id not in done and situation.at_hand(test.tool) and done.issuperset(test.needs)
    ]


def look_ahead(
    ready: ReadyMachine,
    situation: Situation,
    findings: Findings,
    skipped: Collection[str] = (),
) -> Outlook:
    """Rank the tests and work out what repairing now would cost.

    Args:
        ready: the machine.
        situation: what is known and at hand.
        findings: the same findings, encoded.
        skipped: tests that are not to be proposed.

    Raises:
        ClashError: the findings cannot all be true.
    """
    compiled = ready.compiled
    beliefs = compiled.beliefs(findings)
    faults = beliefs.marginals[fault_codes(ready)]
    repairs = list_repairs(ready.machine, ready.faults)
    leaves = set(compiled.leaves)
    asked = [test.id for test in ready.machine.tests.values() if test.id in leaves]
    ahead = compiled.outcomes_of(asked, fault_nodes(ready), findings)
    after = np.where(
        ahead.chance[:, None] > 0.0, ahead.marginals[:, _fault_columns(ready, ahead)], faults
    )
    candidates = []
    for test in available_tests(ready, situation):
        if test.id in leaves and test.id not in skipped:
            place = ahead.tests.index(test.id)
            rows = slice(*ahead.outcome_offsets[place : place + 2])
            gain = beliefs.gains_bits[test.id]
            seen = _Seen(test, gain, ahead.chance[rows], after[rows])
            candidates.append(_candidate(ready, situation, repairs, faults, seen))
    candidates.sort(key=lambda one: (-one.bits_per_minute, one.minutes, one.test.id))
    now, first = _repair_now(ready, situation.complaint, repairs, faults[None], opened(situation))
    return Outlook(beliefs, faults, repairs, float(now[0]), int(first[0]), tuple(candidates))


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A test with what the network says of it."""

    test: Test
    gain_bits: float
    chances: Floats
    faults: Floats


def opened(situation: Situation, also: Collection[str] = ()) -> frozenset[str]:
    """Areas that stand open, with some more."""
    return situation.open_areas | frozenset(also)


def _candidate(
    ready: ReadyMachine,
    situation: Situation,
    repairs: RepairList,
    before: Floats,
    seen: _Seen,
) -> Candidate:
    test, gain = seen.test, seen.gain_bits
    opens = to_open(ready.machine, test.area, situation.open_areas)
    if test.cause is not None:
        gain = min(gain, _gain_about_parts(ready, before, seen.chances, seen.faults))
    later, _ = _repair_now(
        ready, situation.complaint, repairs, seen.faults, opened(situation, opens)
    )
    return Candidate(
        test=test,
        opens=opens,
        minutes=test.minutes + opening_minutes(ready.machine, opens),
        gain_bits=gain if gain >= MINIMUM_GAIN_BITS else 0.0,
        chances=seen.chances,
        faults=seen.faults,
        later_minutes=float(seen.chances @ later),
    )


def _repair_now(
    ready: ReadyMachine,
    complaint: str,
    repairs: RepairList,
    faults: Floats,
    open_areas: frozenset[str],
) -> tuple[Floats, NDArray[np.int64]]:
    """Expected minutes and first repair for each row of fault probabilities."""
    costs, first = np.empty(len(faults)), np.empty(len(faults), np.int64)
    expected_minutes(
        guilt(ready, complaint, faults),
        repairs.fixes,
        np.tile(repairs.minutes(ready.machine, open_areas), (len(faults), 1)),
        ready.machine.shop.escalate_minutes,
        costs,
        first,
    )
    return costs, first


def _gain_about_parts(ready: ReadyMachine, before: Floats, chances: Floats, after: Floats) -> float:
    """What a test of a shared cause says about the parts, in bits.

    The sum over the parts of the mutual information between the part and the outcome. Knowing
    about the cause itself repairs nothing, so the caller caps it by what the outcome says about
    the cause.
    """
    total = 0.0
    part_of: dict[str, list[int]] = {}
    for fault, (part, _) in enumerate(ready.faults):
        part_of.setdefault(part, []).append(fault)
    for rows in part_of.values():
        total += _entropy_bits(before[rows]) - float(
            sum(p * _entropy_bits(one[rows]) for p, one in zip(chances, after, strict=True))
        )
    return max(total, 0.0)


def _entropy_bits(failures: Floats) -> float:
    """Entropy of a part's modes, from the probabilities of its failure modes."""
    p = np.append(failures, 1.0 - failures.sum())
    p = p[p > 0.0]
    return float(-(p * np.log2(p)).sum())
