"""Jobs played along the engine's advice, with detours, by machines whose faults are known.

The engine is asked through `Job` alone; what it records is told to the referee as well.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.errors import ClashError
from diagnose.job import Job
from tests.referees.stand import Stand, draw_world
from tests.referees.story import Repaired, Story, Written

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np

    from diagnose.advice.advice import Advice
    from tests.referees.pool import Pool
    from tests.referees.story import Course

MOST_STEPS = 16
FOLLOWS_ADVICE = 0.7
A_REPAIR_ANYWAY = 0.3
NUMBERS, NOT_SURE, NOT_TRIED, AS_BEFORE, COLD_BARN = 0.4, 0.12, 0.1, 0.3, 0.3
"""How often a number is given where one can be, a finding is half remembered, nobody tries the
machine after a repair, he who tries it looks only whether it does the same as before, the battery
is not at 20 degrees."""


@dataclass(frozen=True)
class State:
    """One state of a job.

    Attributes:
        story: what was told so far.
        advice: the engine's answer; None where it says that the findings clash.
        n_faults: faults there were when the machine came in.
        wrong: what is wrong now, in words.
        course: what really was wrong from the complaint to now.
    """

    story: Story
    advice: Advice | None
    n_faults: int
    wrong: str
    course: Course


def job_of(machine: str, story: Story) -> Job:
    """The engine's job after a story."""
    job = Job.open(machine, story.complaint, temperature_celsius=story.celsius)
    for step in story.steps:
        job = told(job, step)
    return job


def told(job: Job, step: Written | Repaired) -> Job:
    """The job after one more step."""
    if isinstance(step, Repaired):
        return job.repair(step.part, step.repair, check=step.shown)
    result = step.outcome if step.number is None else step.number
    return job.record(step.test, result, sure=step.sure)


class Walk:
    """One job."""

    def __init__(self, pool: Pool, machine: str, n_repairs: int, rng: np.random.Generator) -> None:
        """A job with so many repairs, if it comes to them."""
        self.pool, self.rng = pool, rng
        complaint = str(rng.choice(list(pool.bench.machine.complaints)))
        self.n_faults = int(rng.integers(1, 5))
        self.n_repairs = n_repairs
        celsius = float(rng.integers(-25, 36)) if rng.random() < COLD_BARN else 20.0
        world = draw_world(pool, complaint, self.n_faults, rng)
        self.stand = Stand(pool.bench, pool.priors, world, rng, celsius)
        self.story = Story(complaint, celsius=celsius)
        self.job = job_of(machine, self.story)

    def states(self) -> Iterator[State]:
        """All states, the one with only the complaint first."""
        for _ in range(MOST_STEPS):
            try:
                advice = self.job.advise()
            except ClashError:
                yield self._state(None)
                return
            yield self._state(advice)
            over = len(self.story.repairs) >= self.n_repairs
            if over and advice.verdict.action == "done" and self.rng.random() < 0.5:
                return
            step = self._next(advice)
            if step is None:
                return
            self.job = told(self.job, step)
            self.story = replace(self.story, steps=(*self.story.steps, step))

    def _state(self, advice: Advice | None) -> State:
        course = self.pool.teller(self.story).course(self.stand.came_with, self.stand.new)
        return State(self.story, advice, self.n_faults, self.stand.wrong(), course)

    def _next(self, advice: Advice) -> Written | Repaired | None:
        action, target = advice.verdict.action, advice.verdict.target
        more = len(self.story.repairs) < self.n_repairs
        if more and action == "repair" and self.rng.random() < 0.9:
            return self._repair(*target.split("."))
        if more and self.rng.random() < A_REPAIR_ANYWAY:
            return self._repair(*self._some_repair(advice))
        tests = [one.test for one in advice.tests]
        if action == "test" and self.rng.random() < FOLLOWS_ADVICE:
            return self._test(target)
        return self._test(str(self.rng.choice(tests))) if tests else None

    def _some_repair(self, advice: Advice) -> tuple[str, str]:
        """One of a part that is suspected, or of any."""
        parts = self.pool.bench.machine.parts
        likely = [one.part for one in advice.suspects[:6] if one.part in parts]
        among = likely if self.rng.random() < 0.6 else list(parts)
        among = [part for part in among if parts[part].repairs] or list(parts)
        repairs = [(part, one.id) for part in among for one in parts[part].repairs]
        return repairs[int(self.rng.integers(len(repairs)))]

    def _repair(self, part: str, repair: str) -> Repaired:
        self.stand.repair(part, repair)
        if self.rng.random() < NOT_TRIED:
            return Repaired(part, repair, None)
        complaint = self.story.complaint
        if self.rng.random() < AS_BEFORE and self.stand.seen(complaint, complaint):
            return Repaired(part, repair, complaint)
        return Repaired(part, repair, self.stand.shows(complaint))

    def _test(self, name: str) -> Written:
        test = self.pool.bench.machine.tests[name]
        sure = round(float(self.rng.uniform(0.4, 0.95)), 2) if self.rng.random() < NOT_SURE else 1.0
        if test.unit is not None and self.rng.random() < NUMBERS:
            written = self.stand.number(test, sure)
            if written.number is None:
                return written
            return replace(written, number=float(f"{written.number:.4g}"))
        return self.stand.outcome(test, sure)
