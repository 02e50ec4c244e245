"""A job worked by the advice alone: every test proposed is done, until a repair is."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.advice.advice import RecordedRepair
from diagnose.commands.technician import Case, Technician, invent_case
from diagnose.commands.turn import Said, Turn
from diagnose.job import Job
from diagnose.paper.words import repair_of
from diagnose.rule.minutes import labour_minutes

if TYPE_CHECKING:
    from diagnose.advice.advice import Advice, RecordedFinding, TestAdvice
    from diagnose.rule.prepared import Prepared

MOST_STEPS = 40


@dataclass(frozen=True, slots=True)
class Step:
    """One test of a demonstration, or one repair.

    Attributes:
        test: the test as it was proposed; None for a repair.
        minutes: what it took, opening included.
        reason: why it was proposed.
        done: the finding or repair as it was taken.
        after: the advice with it.
    """

    test: TestAdvice | None
    minutes: float
    reason: str
    done: RecordedFinding | RecordedRepair
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
    def minutes(self) -> float:
        """Labour, from the first test to the end."""
        return sum(step.minutes for step in self.steps)

    @property
    def found(self) -> bool:
        """Whether a repair was done that puts the invented fault right."""
        fixes = {known.id: known.fixes for known in self.job.machine.parts[self.case.part].repairs}
        return any(
            done.part == self.case.part and self.case.mode in fixes[done.repair]
            for done in self.job.repairs
        )


def run_demo(prepared: Prepared, seed: int) -> Demo:
    """Invent a fault and work the job to its end; the same seed gives the same job."""
    rng, machine = np.random.default_rng(seed), prepared.machine
    case = invent_case(prepared, rng)
    technician = Technician.at(prepared, case)
    turn = first = Turn.of(Job.open(machine, case.complaint))
    steps: list[Step] = []
    while turn.advice.verdict.action not in {"done", "escalate"} and len(steps) < MOST_STEPS:
        verdict, proposed = turn.advice.verdict, None
        done: RecordedFinding | RecordedRepair
        repair = repair_of(machine, verdict.target)
        if repair is not None and not turn.asked:
            minutes = labour_minutes(machine, *repair, turn.job.situation.open_areas)
            technician, shown = technician.repaired(*repair, rng)
            turn = turn.after(Said("repaired", shown))
            done = turn.advice.repairs[-1]
        else:
            test = machine.tests[turn.asked]
            proposed = next((t for t in turn.advice.tests if t.test == test.id), None)
            minutes = test.minutes if proposed is None else proposed.minutes
            turn = turn.after(Said("result", result=str(technician.do(test, rng))))
            done = [found for found in turn.advice.findings if found.test == test.id][-1]
        steps.append(Step(proposed, minutes, verdict.reason, done, turn.advice))
    return Demo(turn.job, seed, case, first.advice, tuple(steps))


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
    if isinstance(step.done, RecordedRepair):
        told["repair"] = asdict(step.done)
    else:
        told |= {"test": step.done.test, "finding": asdict(step.done)}
    return told | {"leading": asdict(step.after.suspects[0])}
