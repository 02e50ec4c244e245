"""What is typed at the bench and what it means, and where the job stands after it."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from diagnose.errors import UnknownNameError
from diagnose.machine.model import OTHER, RUNS, SAME

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from diagnose.advice.advice import Advice
    from diagnose.job import Job

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "an outcome": "its name, the beginning of it, or its number",
        "a reading": "with or without its unit: 12.3, 12.3V, 85 mV",
        "TEST=RESULT": "the result of another test",
        "do TEST": "another test, by name or by its number in the list",
        "skip [REASON]": "this test cannot be done now; it is not offered again",
        "repaired CHECK": "it is done; now it `runs`, does the `same`, or shows a complaint",
        "repaired PART.REPAIR CHECK": "another repair was done",
        "undo": "take back the last thing",
        "why": "what each result would leave of the suspects",
        "list": "the best tests",
        "open AREA": "this is open already; without a name: which areas there are",
        "close AREA": "this is closed again",
        "help": "these words",
        "quit": "stop and write the finding sheet",
    }
)
_ALIKE = {"?": "help", "exit": "quit", "q": "quit"}
_BARE = {"undo", "why", "list", "help", "quit"}
_WITH_NAME = {"do", "skip", "repaired", "open", "close"}

UNCHECKED = "unchecked"
"""Typed for a repair after which nobody has tried the machine yet."""


@dataclass(frozen=True, slots=True)
class Said:
    """One line typed.

    Attributes:
        kind: the first of one of `WORDS`, or `result`, `finding`, `nothing`.
        name: the test, area or reason it is about; empty when it names none.
        result: for `result` and `finding`, the outcome or reading as text.
    """

    kind: str
    name: str = ""
    result: str = ""


def understand(line: str, outcomes: Sequence[str], *, has_unit: bool) -> Said:
    """What a line means while a test is asked for.

    An outcome of the test wins over a word of the same spelling: `open` is the result of an ohms
    test, `open seat` is not. Where the test has a unit, a bare number is a reading.
    """
    text = line.strip()
    if not text:
        return Said("nothing")
    if text in outcomes:
        return Said("result", result=text)
    if "=" in text:
        name, _, result = text.partition("=")
        return Said("finding", name.strip(), result.strip())
    first, _, rest = text.partition(" ")
    word, rest = _ALIKE.get(first.lower(), first.lower()), rest.strip()
    if word in _WITH_NAME or (word in _BARE and not rest):
        return Said(word, rest)
    return Said("result", result=_outcome(text, outcomes, numbered=not has_unit))


def _outcome(text: str, outcomes: Sequence[str], *, numbered: bool) -> str:
    """The outcome that a number or a beginning stands for; else the text as it is."""
    if numbered and text.isdecimal() and 1 <= int(text) <= len(outcomes):
        return outcomes[int(text) - 1]
    begun = [known for known in outcomes if known.startswith(text.lower().replace(" ", "_"))]
    return begun[0] if len(begun) == 1 else text


def chosen(kind: str, text: str, names: Sequence[str]) -> str:
    """A name typed itself, or by its number in the list.

    Raises:
        UnknownNameError: there is no such name or number.
    """
    if text.isdecimal() and 1 <= int(text) <= len(names):
        return names[int(text) - 1]
    if text not in names:
        raise UnknownNameError(kind, text, names)
    return text


@dataclass(frozen=True, slots=True)
class Turn:
    """Where the talk stands; `asked` is the test asked for, empty when a repair is proposed."""

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
        verdict, machine = self.advice.verdict, self.job.machine
        target = target.strip() or (verdict.target if verdict.action == "repair" else "")
        part, _, repair = target.partition(".")
        numbered = dict(enumerate(machine.complaints, 1))
        if check.isdecimal() and int(check) in numbered:
            check = numbered[int(check)]
        known = (RUNS, SAME, OTHER, UNCHECKED, *machine.complaints)
        if check not in known:
            raise UnknownNameError("check", check, known)
        return self.job.repair(part, repair, None if check == UNCHECKED else check)


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
