"""What every test would bring, and what it would cost."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.advice import gate
from diagnose.advice.gate import MINIMUM_GAIN_BITS
from diagnose.advice.hand_over import minutes_if_known, worth_testing_on
from diagnose.advice.minutes import to_open
from diagnose.advice.repair_cost import (
    RepairList,
    guilt,
    minutes_of_repair,
    repairs_against,
    repairs_of,
)
from diagnose.advice.repair_kernels import TINY
from diagnose.advice.what_each_says import what_each_says

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from diagnose.advice.situation import Situation
    from diagnose.advice.what_each_says import Said
    from diagnose.inference.beliefs import Beliefs
    from diagnose.inference.findings import Findings
    from diagnose.machine.model import Machine, Test
    from diagnose.network.ready import ReadyMachine

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A test that could be done now.

    Attributes:
        test: the test.
        opens: areas to open first.
        minutes: labour, opening included.
        added_minutes: the same without the opening that the repair will need anyway, by its
            probability.
        gain_bits: information about the state of the parts.
        chances: (outcomes,) probability of each outcome.
        suspects: numbers of the faults that can give the complaint.
        after: (outcomes, suspects) posterior of these after each outcome.
        n_faults: how many faults there are.
        later_minutes: expected minutes to repair after the test, its own minutes not included.
        worth_doing: whether it passes the gate (see `diagnose.advice.gate`), or is the best there
            is and testing on is worth more than handing over (see `diagnose.advice.hand_over`).
    """

    test: Test
    opens: tuple[str, ...]
    minutes: float
    added_minutes: float
    gain_bits: float
    chances: Floats
    suspects: NDArray[np.int64]
    after: Floats
    n_faults: int
    later_minutes: float
    worth_doing: bool

    @property
    def faults(self) -> Floats:
        """(outcomes, faults) posterior after each outcome; 0 where a fault cannot be to blame."""
        found = np.zeros((len(self.after), self.n_faults))
        found[:, self.suspects] = self.after
        return found

    @property
    def bits_per_minute(self) -> float:
        """What it tells for each minute that it takes."""
        return self.gain_bits / max(self.minutes, gate.LEAST_MINUTES)

    @property
    def bits_per_added_minute(self) -> float:
        """The ranking."""
        return self.gain_bits / max(self.added_minutes, gate.LEAST_MINUTES)


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """Everything that the verdict and the explanation are made from.

    Attributes:
        beliefs: posterior of every node.
        faults: (faults,) posterior of every fault.
        blame: (faults,) chance that each is what gives the complaint.
        repairs: all repairs.
        repair_minutes: expected minutes when repairing without further tests.
        first_repair: row of `repairs` to begin with, -1 to hand over.
        candidates: tests, most bits per added minute first.
    """

    beliefs: Beliefs
    faults: Floats
    blame: Floats
    repairs: RepairList
    repair_minutes: float
    first_repair: int
    candidates: tuple[Candidate, ...]

    def worth_doing(self, one: Candidate) -> bool:
        """Whether doing a test first is expected to save minutes (the gate)."""
        return one.worth_doing


def fault_codes(ready: ReadyMachine) -> NDArray[np.int64]:
    """(faults,) where each fault's probability stands in a vector of all states."""
    return np.array([ready.compiled.code(part, mode) for part, mode in ready.faults])


def available_tests(ready: ReadyMachine, situation: Situation) -> list[Test]:
    """Tests not done since the last repair, with their tool at hand and what they need first done.

    Looking for a shared cause is not repeated: no repair takes the nest away unseen.
    """
    done = {one.test for one in situation.findings}
    ever = done | {one.test for epoch in situation.past for one in epoch.findings}
    return [
        test
        for test in ready.machine.tests.values()
        if test.id not in (done if test.cause is None else ever)
        and situation.at_hand(test.tool)
        and ever.issuperset(test.needs)
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
    tests = [test for test in available_tests(ready, situation) if test.id not in skipped]
    said = what_each_says(ready, situation.complaint, findings, tests)
    repairs = repairs_of(ready)
    blame = guilt(ready, situation.complaint, said.faults)
    is_open = np.array([repairs.bits(situation.open_areas)])
    hand_over = ready.machine.shop.escalate_minutes
    now, first = minutes_of_repair(repairs.tables, blame[None], is_open, hand_over)
    outlook = Outlook(said.beliefs, said.faults, blame, repairs, float(now[0]), int(first[0]), ())
    found = _candidates(ready, situation, outlook, said)
    found.sort(key=lambda one: (-one.bits_per_added_minute, one.minutes, one.test.id))
    return replace(outlook, candidates=tuple(found))


def _candidates(
    ready: ReadyMachine, situation: Situation, outlook: Outlook, said: Said
) -> list[Candidate]:
    costs = _Costs.of(ready.machine, outlook.repairs, said.tests, situation.open_areas)
    anyway = gate.chance_opened(outlook.blame, outlook.repairs.fault_way)
    added = gate.added_minutes(costs.minutes, costs.opening, anyway)
    gains = np.where(said.gains_bits > MINIMUM_GAIN_BITS, said.gains_bits, 0.0)
    rates = gate.bits_per_minute(gains, added)
    asked = gate.in_question(gains, rates, _least(situation, outlook))
    later = _minutes_after(ready, situation.complaint, said, costs.is_open)
    worth = asked & (costs.minutes + later < outlook.repair_minutes - TINY)
    if outlook.first_repair < 0 and asked.any() and not worth.any():
        best = int(np.argmax(np.where(asked, rates, 0.0)))
        worth[best] = _rather_than_hand_over(ready, situation, outlook, float(rates[best]))
    edges = said.offsets.tolist()
    each = zip(
        said.tests, costs.opens, costs.minutes.tolist(), added.tolist(), gains.tolist(),
        itertools.pairwise(edges), later.tolist(), worth.tolist(), strict=True,
    )  # fmt: skip
    return [
        Candidate(
            test=test,
            opens=opens,
            minutes=minutes,
            added_minutes=more,
            gain_bits=gain,
            chances=said.chances[begin:end],
            suspects=said.suspects,
            after=said.after[begin:end],
            n_faults=len(said.faults),
            later_minutes=later_minutes,
            worth_doing=worth_doing,
        )
        for test, opens, minutes, more, gain, (begin, end), later_minutes, worth_doing in each
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _Costs:
    """What the tests cost.

    Attributes:
        opens: areas to open first, outermost first.
        minutes: (tests,) opening included.
        opening: (tests, areas) minutes to open each area for each test.
        is_open: (tests,) areas open after each, as bits.
    """

    opens: list[tuple[str, ...]]
    minutes: Floats
    opening: Floats
    is_open: NDArray[np.int64]

    @classmethod
    def of(
        cls,
        machine: Machine,
        repairs: RepairList,
        tests: Sequence[Test],
        open_areas: Collection[str],
    ) -> _Costs:
        ways = {area: to_open(machine, area, open_areas) for area in (None, *machine.areas)}
        bits = {area: repairs.bits(way) for area, way in ways.items()}
        areas = [test.area for test in tests]
        own = np.array([bits[area] for area in areas], dtype=np.int64)
        each = own[:, None] >> np.arange(len(machine.areas)) & 1
        opening = each * repairs.tables.area_minutes
        minutes = np.array([test.minutes for test in tests], dtype=np.float64)
        return cls(
            opens=[ways[area] for area in areas],
            minutes=minutes + opening.sum(axis=1),
            opening=opening,
            is_open=own | repairs.bits(open_areas),
        )


def _least(situation: Situation, outlook: Outlook) -> float:
    """Bits per added minute below which the first repair is the quicker way to find out."""
    first, repairs = outlook.first_repair, outlook.repairs
    if first < 0:
        return 0.0
    return gate.least_bits_per_minute(
        outlook.blame,
        float(repairs.fixes[first] @ outlook.blame),
        float(repairs.minutes(situation.open_areas)[first]),
        new_part=bool(repairs.new_part[first]),
    )


def _rather_than_hand_over(
    ready: ReadyMachine, situation: Situation, outlook: Outlook, rate: float
) -> bool:
    """Whether testing on at this rate is worth more than handing over; see `hand_over`."""
    known = minutes_if_known(
        outlook.blame,
        outlook.repairs.fixes,
        outlook.repairs.minutes(situation.open_areas),
        ready.machine.shop.escalate_minutes,
    )
    return worth_testing_on(known, gate.doubt_bits(outlook.blame), rate, outlook.repair_minutes)


def _minutes_after(
    ready: ReadyMachine, complaint: str, said: Said, is_open: NDArray[np.int64]
) -> Floats:
    """(tests,) expected minutes of repairing after each test, its own minutes not included."""
    blamed = said.after.copy()  # of suspects only, and each of them can give the complaint
    blamed /= np.maximum(blamed.sum(axis=1, keepdims=True), 1.0)
    costs, _ = minutes_of_repair(
        repairs_against(ready, complaint),
        blamed,
        np.repeat(is_open, np.diff(said.offsets)),
        ready.machine.shop.escalate_minutes,
    )
    weighed = np.concatenate([[0.0], np.cumsum(said.chances * costs)])
    found: Floats = weighed[said.offsets[1:]] - weighed[said.offsets[:-1]]
    return found
