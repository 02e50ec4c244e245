"""What is typed at the bench and what it means, and where the job stands after it."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from diagnose.errors import RequestError, UnknownNameError, nearest_name
from diagnose.machine.model import OTHER, RUNS, SAME
from diagnose.steps import kinds
from diagnose.steps.status import standing

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from diagnose.advice.advice import Advice
    from diagnose.job import Job
    from diagnose.machine.model import Machine
    from diagnose.steps.kinds import AnyStep

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
        "finish [HOW]": "the job is over: asks what the order lacks; HOW: handed_over, given_up",
        "help": "these words",
        "quit": "stop and write the finding sheet",
    }
)
_ALIKE = {"?": "help", "exit": "quit", "q": "quit"}
_BARE = {"undo", "why", "list", "help", "quit"}
_WITH_NAME = {"do", "skip", "repaired", "complaint", "open", "close", "finish"}

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
    """Where the talk stands.

    Attributes:
        job: the job.
        advice: what to do now.
        asked: the test asked for, empty when a repair is proposed.
        history: the steps of the job so far, as far as they are known.
        taken: those of them that came with the last thing said.
    """

    job: Job
    advice: Advice
    asked: str
    history: tuple[AnyStep, ...] = ()
    taken: tuple[AnyStep, ...] = ()

    @classmethod
    def of(cls, job: Job, history: tuple[AnyStep, ...] = ()) -> Turn:
        """The turn with the advice's own choice of test.

        Raises:
            ClashError: the findings cannot all be true.
        """
        advice = job.advise()
        verdict = advice.verdict
        asked = verdict.target if verdict.action in {"test", "recheck"} else ""
        return cls(job, advice, asked, history)

    def after(self, said: Said) -> Turn:
        """The turn after something was said.

        Raises:
            DiagnoseError: it names or says something that does not fit.
        """
        if said.kind == "do":
            left = [test.test for test in self.advice.tests]
            again = [found.test for found in self.job.findings]
            asked = chosen("test", said.name, (*left, *again), left[:LISTED])
            return replace(self, asked=asked, taken=())
        return self.after_steps(self._steps(said))

    def after_steps(self, steps: tuple[AnyStep, ...]) -> Turn:
        """The turn after some steps.

        Raises:
            DiagnoseError: the job does not take one of them.
        """
        from diagnose.steps.apply import apply  # noqa: PLC0415  the engine loads on use only

        job = self.job
        for step in steps:
            job = apply(job, step)
        return replace(Turn.of(job, (*self.history, *steps)), taken=steps)

    def _steps(self, said: Said) -> tuple[AnyStep, ...]:
        """What was said, as steps."""
        name = said.name
        if said.kind in {"result", "skip"} and not self.asked:
            known = (*WORDS, *self.job.machine.tests)
            raise UnknownNameError("word", said.result or said.kind, known)
        if said.kind == "result":
            self._check_outcome(said.result)
            return self._found(self.asked, said.result)
        if said.kind == "finding":
            return self._found(name, said.result)
        if said.kind == "undo":
            return (kinds.Undone(),) * taken_together(self.job.machine, self.history)
        return (self._step(said.kind, name),)

    def _step(self, kind: str, name: str) -> AnyStep:
        """What is one step by itself."""
        if kind == "skip":
            return kinds.SetAside(test=self.asked, note=name)
        if kind == "repaired":
            return self._repaired(name)
        if kind == "complaint":
            complaints = list(self.job.machine.complaints)
            return kinds.Told(complaint=chosen("complaint", name, complaints))
        if kind == "open":
            return kinds.AreaOpened(area=name)
        return kinds.AreaClosed(area=name)

    def _found(self, test: str, result: str) -> tuple[AnyStep, ...]:
        """A result; whatever had to be opened for it stands open afterwards."""
        result = re.sub(r"(?<=\d),(?=\d)", ".", result)  # 12,3 V
        if any(known.test == test for known in self.job.findings):
            return (kinds.LookedAgain(test=test, outcome=result),)
        found = kinds.Found(test=test, outcome=result)
        known = self.job.machine.tests.get(test)
        area = None if known is None else known.area
        if area is None or area in self.job.situation.open_areas:
            return (found,)
        return found, kinds.AreaOpened(area=area)

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

    def _repaired(self, told: str) -> AnyStep:
        """The repair proposed, or another one named, with what the check showed."""
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
        shown = None if check == UNCHECKED else check
        return kinds.Repaired(part=part, repair=repair, shown=shown)


def taken_together(machine: Machine, history: Sequence[AnyStep]) -> int:
    """How many of the latest steps are one thing to the technician who takes it back.

    Two where an area was opened for a test and noted with its result; else one.
    """
    left = standing(history)
    if len(left) < 2:
        return 1
    found, opened = left[-2:]
    if not isinstance(found, kinds.Found) or not isinstance(opened, kinds.AreaOpened):
        return 1
    if found.at != opened.at:
        return 1
    return 2 if machine.tests[found.test].area == opened.area else 1
