"""The finding sheet: what was found on a job, as text for the job's folder."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.advice.advice import RecordedRepair
from diagnose.paper import words
from diagnose.paper.ending import ending

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from diagnose.advice.advice import Advice
    from diagnose.job import Job

WIDTH = 78
SUSPECTS = 5
MANUAL = (
    "The maker's service manual, local codes and licensed practice come before anything on this "
    "sheet. After the repair: start it, and try every interlock."
)

REPAIRED, MIND = "*", "!"
"""Marks of a repair among the findings, and of what to mind."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a sheet: what stands before it (a number, a chance, a mark), and its text."""

    text: str
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A heading, empty for what needs none, and what stands under it."""

    heading: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """What was found on a job, and what comes next or how it ended.

    Attributes:
        machine, complaint: in words.
        sections: in order.
        manual: what goes before all of it.
    """

    machine: str
    complaint: str
    sections: tuple[Section, ...]
    manual: str = MANUAL


def sheet(job: Job, advice: Advice) -> Sheet:
    """Complaint, findings in order, and what comes next; for a job that is done, how it ended."""
    done = advice.verdict.action == "done"
    sections = [
        *(_ended(job, advice) if done else ()),
        Section("Findings and repairs", tuple(_history(job, advice))),
        *(() if done else _ahead(job, advice)),
        *_left(job),
    ]
    return Sheet(
        machine=words.machine_words(job.machine),
        complaint=job.machine.complaints[advice.complaint].title,
        sections=tuple(sections),
    )


def finding_sheet(job: Job, advice: Advice, when: datetime) -> str:
    """The sheet as text, 78 letters wide."""
    told = sheet(job, advice)
    lines = [
        "FINDING SHEET",
        f"{when:%Y-%m-%d %H:%M}",
        "",
        f"Machine     {told.machine}",
        f"Complaint   {told.complaint}",
        "",
    ]
    for section in told.sections:
        lines += [section.heading] if section.heading else []
        for line in section.lines:
            lines += _hanging(_before(line.mark), line.text)
        lines.append("")
    return "\n".join([*lines, *textwrap.wrap(told.manual, WIDTH)]) + "\n"


def _before(mark: str) -> str:
    """A mark as it stands before its line: numbers and chances flush right."""
    if mark in ("", MIND):
        return f"  {mark} " if mark else "  "
    if mark == REPAIRED:
        return f"  {mark}  "
    return f"{mark:>4} " if mark.endswith(".") else f"{mark:>9}  "


def _ended(job: Job, advice: Advice) -> Iterator[Section]:
    """Cause, repairs, readings before and after, and what is left to do."""
    end = ending(job, advice)
    blocks = {
        "Cause": end.causes or ("not known; it runs after what was done",),
        "Done": (*end.done, f"about {end.minutes} in all, by the minutes of the machine file"),
        "Readings before and after": end.readings or ("none taken",),
        "Before it goes out, and after": (*end.watch, *end.close, advice.verdict.reason),
    }
    for heading, told in blocks.items():
        yield Section(heading, tuple(map(Line, told)))


def _ahead(job: Job, advice: Advice) -> Iterator[Section]:
    """What it may be, and what comes next."""
    yield Section("Likeliest failures", tuple(_suspects(job, advice)))
    yield Section("Next", tuple(_next(job, advice)))


def _history(job: Job, advice: Advice) -> Iterator[Line]:
    if not advice.findings and not advice.repairs:
        yield Line("none")
    number = 0
    for known in words.history(advice):
        if isinstance(known, RecordedRepair):
            shown = words.check_words(job.machine, known.check)
            told = f"{words.repair_words(job.machine, known)}; {shown}"
            yield Line(f"Repaired: {told}", REPAIRED)
        else:
            number += 1
            title = job.machine.tests[known.test].title
            told = f"{title}: {words.result_words(job.machine, known)}"
            yield Line(told, f"{number}.")


def _suspects(job: Job, advice: Advice) -> Iterator[Line]:
    for suspect in advice.suspects[:SUSPECTS]:
        fault = words.fault_words(job.machine, suspect.part, suspect.mode)
        yield Line(fault, words.percent(suspect.probability))
    left_out = words.left_out_words(advice.mass_left_out)
    if left_out:
        yield Line(left_out)


def _next(job: Job, advice: Advice) -> Iterator[Line]:
    machine, verdict = job.machine, advice.verdict
    repair = words.repair_of(machine, verdict.target)
    cautions: tuple[str, ...] = ()
    if verdict.action == "repair" and repair is not None:
        title = words.part_words(machine, repair[0])
        yield Line(f"Repair: {title}. {repair[1].title}.")
        cautions = repair[1].cautions
    elif verdict.target in machine.tests:
        test = machine.tests[verdict.target]
        again = words.ACTIONS["recheck"] if verdict.action == "recheck" else "Test"
        yield Line(f"{again}: {test.title}.")
        cautions = test.cautions
    for line in (verdict.reason, *verdict.notes):
        yield Line(line)
    for caution in words.caution_texts(machine, cautions):
        yield Line(caution, MIND)


def _left(job: Job) -> Iterator[Section]:
    """Tests that were set aside, and what stands open."""
    lines = [
        f"Not done: {job.machine.tests[test].title}{f' ({reason})' if reason else ''}."
        for test, reason in job.skipped
    ]
    opened = words.open_words(job.machine, job.situation.open_areas)
    lines += [f"Stands open: {opened}."] if opened else []
    if lines:
        yield Section("", tuple(map(Line, lines)))


def _hanging(first: str, text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first))
