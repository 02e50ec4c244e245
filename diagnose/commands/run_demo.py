"""A job worked by the advice alone: every test proposed is done, until a repair is."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.commands.technician import Case, Technician, invent_case
from diagnose.job import Job

if TYPE_CHECKING:
    from diagnose.advice.advice import Advice, TestAdvice
    from diagnose.network.ready import ReadyMachine

MOST_TESTS = 40


@dataclass(frozen=True, slots=True)
class Step:
    """One test of a demonstration.

    Attributes:
        test: the test as it was proposed.
        reason: why it was.
        after: the advice with its result.
    """

    test: TestAdvice
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
        steps: the tests done.
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
    def minutes(self) -> float:
        """Minutes spent on tests and on opening."""
        return sum(step.test.minutes for step in self.steps)

    @property
    def found(self) -> bool:
        """Whether the repair proposed is one that puts the invented fault right."""
        part, _, name = self.last.verdict.target.partition(".")
        repairs = self.job.machine.parts[self.case.part].repairs
        fixes = {repair.id: repair.fixes for repair in repairs}
        return part == self.case.part and self.case.mode in fixes.get(name, ())


def run_demo(ready: ReadyMachine, seed: int) -> Demo:
    """Invent a fault and work the job; the same seed gives the same job."""
    rng = np.random.default_rng(seed)
    case = invent_case(ready, rng)
    technician = Technician.at(ready.machine, case)
    job = Job.open(ready.machine, case.complaint)
    first = advice = job.advise()
    steps: list[Step] = []
    while advice.verdict.action == "test" and len(steps) < MOST_TESTS:
        reason = advice.verdict.reason
        proposed = next(one for one in advice.tests if one.test == advice.verdict.target)
        test = ready.machine.tests[proposed.test]
        job = job.record(test.id, technician.do(test, rng))
        if test.area is not None:
            job = job.open_area(test.area)
        advice = job.advise()
        steps.append(Step(proposed, reason, advice))
    return Demo(job, seed, case, first, tuple(steps))


def story(demo: Demo) -> dict[str, Any]:
    """A demonstration as plain data; `advice` is the last answer, as `advise --json` gives it."""
    return {
        "seed": demo.seed,
        "complaint": demo.case.complaint,
        "fault": {"part": demo.case.part, "mode": demo.case.mode},
        "steps": [
            {
                "test": step.test.test,
                "minutes": step.test.minutes,
                "reason": step.reason,
                "finding": asdict(step.after.findings[-1]),
                "leading": asdict(step.after.suspects[0]),
            }
            for step in demo.steps
        ],
        "minutes": demo.minutes,
        "found": demo.found,
        "advice": demo.last.to_dict(),
    }
