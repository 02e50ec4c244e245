"""What is typed at the bench and what it means, and where the job stands after it."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from diagnose.errors import RequestError, UnknownNameError, nearest_name
from diagnose.machine.model import OTHER, RUNS, SAME

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

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
        "complaint NAME": "what the customer means after all, by name or number",
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
_WITH_NAME = {"do", "skip", "repaired", "complaint", "open", "close"}

LISTED = 9
"""Tests shown with a number to choose them by."""

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


def understand(
    line: str, outcomes: Mapping[str, str], *, has_unit: bool, tests: Collection[str] = ()
) -> Said:
    """What a line means while a test is asked for.

    An outcome of the test wins over a word of the same spelling: `open` is the result of an ohms
    test, `open seat` is not. Where the test has a unit, a bare number is a reading. A bare name of
    a test asks for that test.

    Args:
        line: as it was typed.
        outcomes: outcome of the test asked for -> its words.
        has_unit: whether that test gives a reading.
        tests: ids of the machine's tests.
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
    if text in tests:
        return Said("do", text)
    return Said("result", result=_outcome(text, outcomes, numbered=not has_unit))


def _outcome(text: str, outcomes: Mapping[str, str], *, numbered: bool) -> str:
    """The outcome that a number, or the beginning of its name or words, stands for; or the text."""
    if numbered and text.isdecimal() and 1 <= int(text) <= len(outcomes):
        return list(outcomes)[int(text) - 1]
    begins = text.lower()
    begun = [
        known
        for known, words in outcomes.items()
        if known.startswith(begins.replace(" ", "_")) or words.lower().startswith(begins)
    ]
    return begun[0] if len(begun) == 1 else text


def chosen(kind: str, text: str, names: Sequence[str], listed: Sequence[str] | None = None) -> str:
    """A name typed itself, or by its number in the list.

    Args:
        kind: what is chosen, for the error.
        text: as it was typed.
        names: all that can be chosen.
        listed: those that are shown with a number; left out: all of them.

    Raises:
        RequestError: there is no such number in the list.
        UnknownNameError: there is no such name.
    """
    shown = names if listed is None else listed
    if not text.isdecimal():
        if text not in names:
            raise UnknownNameError(kind, text, names)
        return text
    if not 1 <= int(text) <= len(shown):
        raise RequestError(f"there is no {kind} {text} in the list; it goes from 1 to {len(shown)}")
    return shown[int(text) - 1]


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
            again = [found.test for found in job.findings]
            return replace(self, asked=chosen("test", name, (*left, *again), left[:LISTED]))
        if said.kind in {"result", "skip"} and not self.asked:
            raise UnknownNameError("word", said.result or said.kind, (*WORDS, *job.machine.tests))
        if said.kind == "result":
            self._check_outcome(said.result)
        if said.kind in {"result", "finding"}:
            job = _recorded(job, self.asked if said.kind == "result" else name, said.result)
        elif said.kind == "skip":
            job = job.skip(self.asked, name)
        elif said.kind == "repaired":
            job = self._repaired(name)
        elif said.kind == "complaint":
            job = job.reported(chosen("complaint", name, list(job.machine.complaints)))
        elif said.kind == "open":
            job = job.open_area(name)
        elif said.kind == "close":
            job = job.close_area(name)
        else:
            job = job.undo()
        return Turn.of(job)

    def _check_outcome(self, text: str) -> None:
        """Refuse what is no outcome of the test asked for and no number, naming the nearest."""
        tests = self.job.machine.tests
        known = [outcome.id for outcome in tests[self.asked].outcomes]
        if text[:1] in "+-.0123456789":
            if tests[self.asked].unit is None:
                chosen("outcome", text, known)
            return
        if text not in known:
            titles = [outcome.title for outcome in tests[self.asked].outcomes]
            every = (*known, *titles, *tests, *_BARE, *_WITH_NAME)
            raise UnknownNameError("outcome", text, every if nearest_name(text, every) else known)

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
