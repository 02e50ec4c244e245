"""Where a job at the bench stands, and what a line typed makes of it."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.commands.typed import CHECKS, WORDS, chosen
from diagnose.errors import UnknownNameError

if TYPE_CHECKING:
    from diagnose.advice.advice import Advice
    from diagnose.commands.typed import Said
    from diagnose.job import Job


@dataclass(frozen=True, slots=True)
class Turn:
    """Where the talk stands.

    Attributes:
        job: the job so far.
        advice: its advice.
        asked: id of the test asked for; empty when a repair is proposed.
    """

    job: Job
    advice: Advice
    asked: str

    @classmethod
    def of(cls, job: Job) -> Turn:
        """The turn with the advice's own choice of test.

        Raises:
            ClashError: the findings cannot all be true.
        """
        advice = job.advise()
        verdict = advice.verdict
        return cls(job, advice, verdict.target if verdict.action in {"test", "recheck"} else "")

    def after(self, said: Said) -> Turn:
        """The turn after a step.

        Raises:
            DiagnoseError: the step names or says something that does not fit.
        """
        job, name = self.job, said.name
        if said.kind == "do":
            left = [test.test for test in self.advice.tests]
            return replace(self, asked=chosen("test", name, left))
        if said.kind in {"result", "skip"} and not self.asked:
            raise UnknownNameError("word", said.result or said.kind, WORDS)
        if said.kind in {"result", "finding"}:
            job = _recorded(job, self.asked if said.kind == "result" else name, said.result)
        elif said.kind == "skip":
            job = job.skip(self.asked, name)
        elif said.kind == "repaired":
            job = self._repaired(name)
        elif said.kind == "open":
            job = job.open_area(name)
        elif said.kind == "close":
            job = job.close_area(name)
        else:
            job = job.undo()
        return Turn.of(job)

    def _repaired(self, told: str) -> Job:
        """The job after the repair proposed, or another one named, with what the check showed."""
        target, _, check = told.rpartition(" ")
        if check not in CHECKS:
            raise UnknownNameError("check", check, CHECKS)
        verdict = self.advice.verdict
        target = target.strip() or (verdict.target if verdict.action == "repair" else "")
        part, _, repair = target.partition(".")
        return self.job.repair(part, repair, gone=CHECKS[check])


def _recorded(job: Job, test: str, result: str) -> Job:
    """The job with a result; whatever had to be opened for it stands open afterwards."""
    result = re.sub(r"(?<=\d),(?=\d)", ".", result)  # 12,3 V
    if any(known.test == test for known in job.findings):
        return job.record_again(test, result)
    after = job.record(test, result)
    area = job.machine.tests[test].area
    if area is not None and area not in job.situation.open_areas:
        after = replace(after.open_area(area), before=job)  # one step to undo, not two
    return after
