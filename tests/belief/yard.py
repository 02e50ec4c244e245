"""Machines drawn by their priors, standing in the yard: what is really wrong, and what tests show.

Truth is drawn part by part, the causes first; the engine's sums over fault sets have no part in it.
Outcomes are drawn from the instruments as the referee describes them; what the customer says and
what trying shows from the levels of the functions.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from diagnose.faults import outcomes as known
from tests.belief.by_levels import JOBS_OF_MACHINES, told_by_hand, tried_by_hand, unlisted_chance
from tests.belief.enumeration import TAKEN_FOR_ANYTHING, outcomes_by_hand

if TYPE_CHECKING:
    from diagnose.faults.behaviour import Behaviour
    from diagnose.machine.model import Repair, Test

LOOKED_OVER = 40
"""Of so many machines one is picked, by how well it fits the complaint."""


@dataclass
class Broken:
    """One machine in the yard.

    Attributes:
        behaviour: what kind of machine it is.
        faults: what is wrong with it now.
        causes: free causes that are there.
        rng: decides what instruments show.
    """

    behaviour: Behaviour
    faults: tuple[int, ...]
    causes: frozenset[str]
    rng: np.random.Generator

    def readings(self) -> np.ndarray:
        """(1, observables, 2) what everything shows."""
        return self.behaviour.readings([self.faults])

    def outcome(self, test: Test) -> str:
        """What a test gives."""
        if test.cause is not None:
            cause = self.behaviour.machine.shared_causes[test.cause]
            own = [self.behaviour.faults[f] for f in self.faults]
            there = cause.id in self.causes or any(
                part == cause.part and mode in cause.modes for part, mode in own
            )
            chances = np.array([known.CAUSE_FOUND * there, 1.0 - known.CAUSE_FOUND * there])
        else:
            column = self.behaviour.column_of(test)
            chances = outcomes_by_hand(test, self.readings()[:, column])[0]
        slip = test.slip_percent / 100.0
        chances = (1.0 - slip) * chances + slip / len(chances)
        return test.outcomes[int(self.rng.choice(len(chances), p=chances / chances.sum()))].id

    def mend(self, part: str, repair: Repair) -> None:
        """What a repair takes away; a new part may be bad."""
        mends = {part: repair.fixes, **repair.also}
        fixed = {(name, mode) for name, modes in mends.items() for mode in modes}
        self.faults = tuple(f for f in self.faults if self.behaviour.faults[f] not in fixed)
        own = [f for f, (name, _) in enumerate(self.behaviour.faults) if name == part]
        bad = self.behaviour.machine.shop.new_part_bad_per_1000 / 1000.0
        if repair.id != "replace" or set(own) & set(self.faults) or self.rng.random() >= bad:
            return
        modes = self.behaviour.machine.parts[part].modes
        rates = np.array([modes[self.behaviour.faults[f][1]].per_1000_jobs for f in own])
        fault = int(self.rng.choice(own, p=rates / rates.sum()))
        self.faults = tuple(sorted((*self.faults, fault)))

    def shown(self) -> str:
        """What trying it shows."""
        complaints = self.behaviour.machine.complaints.values()
        results = ["runs", *(c.id for c in complaints if c.on_trying), "other"]
        if self.rng.random() < TAKEN_FOR_ANYTHING:
            return str(self.rng.choice(results))
        tried = tried_by_hand(self.behaviour, self.readings())[0]
        return results[int(tried[int(self.rng.integers(2))])]


def drawn(behaviour: Behaviour, complaint: str, rng: np.random.Generator) -> Broken:
    """A machine that somebody complains about."""
    stood = [_any(behaviour, rng) for _ in range(LOOKED_OVER)]
    readings = behaviour.readings([faults for faults, _ in stood])
    told = told_by_hand(behaviour, readings, complaint)
    faults, causes = stood[int(rng.choice(len(stood), p=told / told.sum()))]
    return Broken(behaviour, faults, causes, rng)


def _any(behaviour: Behaviour, rng: np.random.Generator) -> tuple[tuple[int, ...], frozenset[str]]:
    """A machine as it stands about, complained of or not."""
    machine = behaviour.machine
    causes = frozenset(
        cause.id
        for cause in machine.shared_causes.values()
        if cause.part is None and rng.random() < cause.per_1000_jobs / 1000.0
    )
    raised = {
        (one.part, mode): one.factor
        for cause in machine.shared_causes.values()
        if cause.id in causes
        for one in cause.raises
        for mode in one.modes
    }
    held: dict[int, int] = {}
    for fault in rng.permutation(len(behaviour.faults)).tolist():
        part, mode = behaviour.faults[fault]
        if part in machine.parts:
            chance = JOBS_OF_MACHINES * machine.parts[part].modes[mode].per_1000_jobs / 1000.0
        else:
            chance = unlisted_chance(machine, mode)
        if rng.random() < chance * raised.get((part, mode), 1.0):
            held.setdefault(int(behaviour.part_of[fault]), fault)
    return tuple(sorted(held.values())), causes


def found(broken: Broken, situation: Situation, test: Test) -> Situation:
    """The situation with what a test shows."""
    finding = Finding(test.id, broken.outcome(test))
    return replace(situation, findings=(*situation.findings, finding))


def repaired(broken: Broken, situation: Situation, part: str, repair: Repair) -> Situation:
    """The situation after a repair and a check."""
    broken.mend(part, repair)
    done = RepairDone(part, repair.id, broken.shown())
    past = (*situation.past, Epoch(situation.findings, done))
    return replace(situation, past=past, findings=())
