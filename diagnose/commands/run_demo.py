"""A job worked by the advice alone: every test proposed is done, until a repair is."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.advice.minutes import labour_minutes
from diagnose.commands.technician import Case, Technician, invent_case
from diagnose.job import Job

if TYPE_CHECKING:
    from diagnose.advice.advice import Advice, TestAdvice
    from diagnose.network.ready import Progress, ReadyMachine

MOST_STEPS = 40


@dataclass(frozen=True, slots=True)
class Step:
    """One test of a demonstration, or one repair.

    Attributes:
        test: the test as it was proposed; None for a repair.
        minutes: what it took, opening included.
        reason: why it was proposed.
        after: the advice with its result.
    """

    test: TestAdvice | None
    minutes: float
    reason: str
    after: Advice


@dataclass(frozen=True, slots=True)
class Demo:
    """A finished demonstration.

    Attributes:
        job: the job at its end.
        seed: what the fault was drawn with.
        case: the fault that nobody told the technician.
        first: advice on the complaint alone.
        steps: the tests and repairs done.
    """

    job: Job
    seed: int
    case: Case
    first: Advice
    steps: tuple[Step, ...]

    @property
    def last(self) -> Advice:
        """The advice at the end."""
        return self.steps[-1].after if self.steps else self.first

    @property
    def tests(self) -> int:
        """How many tests were done."""
        return sum(step.test is not None for step in self.steps)

    @property
    def minutes(self) -> float:
        """Labour, from the first test to the end."""
        return sum(step.minutes for step in self.steps)

    @property
    def found(self) -> bool:
        """Whether a repair was done that puts the invented fault right."""
        fixes = {one.id: one.fixes for one in self.job.machine.parts[self.case.part].repairs}
        return any(
            one.part == self.case.part and self.case.mode in fixes[one.repair]
            for one in self.job.repairs
        )


def run_demo(ready: ReadyMachine, seed: int, progress: Progress | None = None) -> Demo:
    """Invent a fault and work the job to its end; the same seed gives the same job.

    Args:
        ready: the machine.
        seed: of the random numbers.
        progress: called with a sentence before each long step.
    """
    rng = np.random.default_rng(seed)
    case = invent_case(ready, rng)
    technician = Technician.at(ready.machine, case)
    job = Job.open(ready.machine, case.complaint)
    first = advice = job.advise()
    steps: list[Step] = []
    while advice.verdict.action in {"test", "recheck", "repair"} and len(steps) < MOST_STEPS:
        verdict, test, machine = advice.verdict, None, ready.machine
        if verdict.action == "repair":
            part, _, name = verdict.target.partition(".")
            repair = next(one for one in machine.parts[part].repairs if one.id == name)
            minutes = labour_minutes(machine, part, repair, job.situation.open_areas)
            technician, gone = technician.repaired(part, repair, rng)
            job = job.repair(part, name, gone=gone)
        else:
            job, test, minutes = _tested(job, advice, technician, rng)
        advice = job.advise(progress)
        steps.append(Step(test, minutes, verdict.reason, advice))
    return Demo(job, seed, case, first, tuple(steps))


def _tested(
    job: Job, advice: Advice, technician: Technician, rng: np.random.Generator
) -> tuple[Job, TestAdvice | None, float]:
    """The job after the test proposed, or after a second look at one."""
    test = job.machine.tests[advice.verdict.target]
    result = technician.do(test, rng)
    if advice.verdict.action == "recheck":
        return job.record_again(test.id, result), None, test.minutes
    proposed = next(one for one in advice.tests if one.test == test.id)
    job = job.record(test.id, result)
    if test.area is not None:
        job = job.open_area(test.area)
    return job, proposed, proposed.minutes


def story(demo: Demo) -> dict[str, Any]:
    """A demonstration as plain data; `advice` is the last answer, as `advise --json` gives it."""
    return {
        "seed": demo.seed,
        "complaint": demo.case.complaint,
        "fault": {"part": demo.case.part, "mode": demo.case.mode},
        "steps": [_step_story(step) for step in demo.steps],
        "minutes": demo.minutes,
        "found": demo.found,
        "advice": demo.last.to_dict(),
    }


def _step_story(step: Step) -> dict[str, Any]:
    told: dict[str, Any] = {"minutes": step.minutes, "reason": step.reason}
    if step.after.findings and step.after.findings[-1].repairs_before == len(step.after.repairs):
        told |= {"test": step.after.findings[-1].test, "finding": asdict(step.after.findings[-1])}
    else:
        told |= {"repair": asdict(step.after.repairs[-1])}
    return told | {"leading": asdict(step.after.suspects[0])}
