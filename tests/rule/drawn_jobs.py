"""Jobs on machines that come to the shop, some steps on.

What is wrong is drawn, the circuit answers.

Most of the tests are those that the rule proposes, the others are any that can be done; readings,
findings that are not sure, tools that are not at hand, repairs at a guess and checks that nobody
made come along.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.ahead.desk import Desk
from diagnose.ahead.expected import gate_action
from diagnose.faults.outcomes import CANNOT, spread_of
from diagnose.faults.tried import check_results
from diagnose.job import Job, prepare
from diagnose.machine.model import RUNS
from diagnose.trial.shop import Shop, Truth, draw_truths

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.ahead.desk import DeskState
    from diagnose.machine.model import Test

STEPS, MOST_REPAIRS = 10, 2
ANY_TEST = 0.25
"""Share of the steps at which any test is done that can be."""
AT_ONCE = 4
"""Machines drawn together."""


@dataclass(frozen=True)
class Place:
    """A job somewhere on its way.

    Attributes:
        job: as it stands.
        walked: the same place as trials come to it, step by step from the complaint; None where
            something was found or done that trials do not know (a reading, a doubt).
        desk: where that was walked.
    """

    job: Job
    walked: DeskState | None
    desk: Desk


@dataclass(eq=False)
class Walk:
    """One machine on its way through the shop."""

    place: Place
    shop: Shop
    truth: Truth
    rng: np.random.Generator
    repairs: int = 0

    def step(self) -> bool:
        """Do something; whether the job goes on."""
        job, costs = self.place.job, self.place.job.prepared.costs
        desk = Desk(job.prepared, job.situation, [test for test, _ in job.skipped])
        action = gate_action(desk, desk.start)
        n, free = costs.n_tests, np.flatnonzero(~desk.start.standing.barred)
        if self.repairs < MOST_REPAIRS and self.rng.random() < (0.7 if action >= n else 0.2):
            guessed = action < n or action == costs.hand_over
            return self._repair(int(self.rng.integers(costs.n_repairs)) if guessed else action - n)
        if action >= n or self.rng.random() < ANY_TEST:
            if not len(free):
                return False
            action = int(self.rng.choice(free))
        self._test(action)
        return True

    def _test(self, number: int) -> None:
        job = self.place.job
        test = list(job.machine.tests.values())[number]
        outcome = self.shop.answer(self.truth, number, self.rng.random())
        result: str | float = test.outcomes[outcome].id
        sure, plain = 1.0, True
        reading = None if test.unit is None else self._reading(test)
        if reading is not None and self.rng.random() < 0.3:
            result, plain = reading, False
        elif self.rng.random() < 0.1:
            sure, plain = 0.7, False
        found = job.record(test.id, result, sure=sure)
        if test.area is not None:
            found = found.open_area(test.area)
        walked = self.place.walked
        if walked is not None:
            walked = self.place.desk.after_test(walked, number, outcome) if plain else None
        self.place = replace(self.place, job=found, walked=walked)

    def _reading(self, test: Test) -> float | None:
        """What a meter shows; None where the machine does not get into the condition."""
        behaviour = self.place.job.prepared.behaviour
        both = behaviour.readings([self.truth.faults])[0, behaviour.column_of(test)]
        value = both[int(self.rng.random() < 0.4)]
        if value == CANNOT:
            return None
        shown = float(self.rng.normal(value, spread_of(test, value)))
        return float(np.clip(shown, test.low, test.high))

    def _repair(self, number: int) -> bool:
        job = self.place.job
        self.repairs += 1
        self.truth = self.shop.mend(self.truth, number, self.rng.random())
        chances = self.shop.checks(self.truth)
        result = int(self.rng.choice(len(chances), p=chances / chances.sum()))
        check: str | None = check_results(job.machine, job.complaint)[result]
        if self.rng.random() < 0.1:
            check = None
        part, _, repair = job.prepared.costs.repairs.names[number].partition(".")
        walked = self.place.walked
        if walked is not None:
            goes_on = check is not None and result > 0
            walked = self.place.desk.after_repair(walked, number, result) if goes_on else None
        self.place = replace(self.place, job=job.repair(part, repair, check), walked=walked)
        return check != RUNS or self.rng.random() < 0.3


def drawn_places(name: str, count: int, seed: int = 0) -> Iterator[Place]:
    """So many places of jobs on a machine, its complaints in turn."""
    rng, ready = np.random.default_rng(seed), prepare(name)
    complaints, told, turn = list(ready.machine.complaints), 0, 0
    while told < count:
        complaint = complaints[turn % len(complaints)]
        turn += 1
        shop = Shop(ready, complaint)
        for truth in draw_truths(ready, complaint, AT_ONCE, rng):
            walk = Walk(_begun(name, complaint, rng), shop, truth, rng)
            for _ in range(STEPS):
                if told == count:
                    return
                yield walk.place
                told += 1
                if not walk.step():
                    break
            else:
                continue
            if told < count:
                yield walk.place
                told += 1


def _begun(name: str, complaint: str, rng: np.random.Generator) -> Place:
    """A job as it begins, now and then with few tools or a test set aside."""
    job = Job.open(name, complaint)
    desk = Desk(job.prepared, job.situation)
    odd = rng.random() < 0.25
    if odd:
        tools = sorted({test.tool for test in job.machine.tests.values()})
        kept = frozenset({"none", *rng.choice(tools, 2).tolist()})
        job = replace(job, situation=replace(job.situation, tools=kept))
        job = job.skip(str(rng.choice(list(job.machine.tests))))
    return Place(job, None if odd else desk.start, desk)
