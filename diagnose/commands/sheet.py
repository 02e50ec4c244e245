"""The finding sheet: what was found on a job, as text for the job's folder."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from diagnose.advice.advice import RecordedRepair
from diagnose.commands import words
from diagnose.commands.ending import ending

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


def finding_sheet(job: Job, advice: Advice, when: datetime) -> str:
    """Complaint, findings in order, and what comes next; for a job that is done, how it ended."""
    done = advice.verdict.action == "done"
    lines = [
        "FINDING SHEET",
        f"{when:%Y-%m-%d %H:%M}",
        "",
        f"Machine     {words.machine_words(job.machine)}",
        f"Complaint   {job.machine.complaints[advice.complaint].title}",
        "",
        *(_ended(job, advice) if done else ()),
        "Findings and repairs",
        *_history(job, advice),
        "",
        *(() if done else _ahead(job, advice)),
        *_left(job),
        *textwrap.wrap(MANUAL, WIDTH),
    ]
    return "\n".join(lines) + "\n"


def _ended(job: Job, advice: Advice) -> Iterator[str]:
    """Cause, repairs, readings before and after, and what is left to do."""
    end = ending(job, advice)
    blocks = {
        "Cause": end.causes or ("not known; it runs after what was done",),
        "Done": (*end.done, f"about {end.minutes} in all, by the minutes of the machine file"),
        "Readings before and after": end.readings or ("none taken",),
        "Before it goes out, and after": (*end.watch, *end.close, advice.verdict.reason),
    }
    for heading, told in blocks.items():
        yield heading
        for line in told:
            yield from _hanging("  ", line)
        yield ""


def _ahead(job: Job, advice: Advice) -> Iterator[str]:
    """What it may be, and what comes next."""
    yield "Likeliest failures"
    yield from _suspects(job, advice)
    yield from ("", "Next")
    yield from _next(job, advice)
    yield ""


def _history(job: Job, advice: Advice) -> Iterator[str]:
    if not advice.findings and not advice.repairs:
        yield "  none"
    number = 0
    for known in words.history(advice):
        if isinstance(known, RecordedRepair):
            shown = words.check_words(job.machine, known.check)
            told = f"{words.repair_words(job.machine, known)}; {shown}"
            yield from _hanging("  *  ", f"Repaired: {told}")
        else:
            number += 1
            title = job.machine.tests[known.test].title
            told = f"{title}: {words.result_words(job.machine, known)}"
            yield from _hanging(f"{number:>3}. ", told)


def _suspects(job: Job, advice: Advice) -> Iterator[str]:
    for suspect in advice.suspects[:SUSPECTS]:
        fault = words.fault_words(job.machine, suspect.part, suspect.mode)
        yield from _hanging(f"{words.percent(suspect.probability):>9}  ", fault)
    yield from _hanging("  ", words.left_out_words(advice.mass_left_out))


def _next(job: Job, advice: Advice) -> Iterator[str]:
    machine, verdict = job.machine, advice.verdict
    repair = words.repair_of(machine, verdict.target)
    cautions: tuple[str, ...] = ()
    if verdict.action == "repair" and repair is not None:
        title = words.part_words(machine, repair[0])
        yield from _hanging("  ", f"Repair: {title}. {repair[1].title}.")
        cautions = repair[1].cautions
    elif verdict.target in machine.tests:
        test = machine.tests[verdict.target]
        again = words.ACTIONS["recheck"] if verdict.action == "recheck" else "Test"
        yield from _hanging("  ", f"{again}: {test.title}.")
        cautions = test.cautions
    for line in (verdict.reason, *verdict.notes):
        yield from _hanging("  ", line)
    for caution in words.caution_texts(machine, cautions):
        yield from _hanging("  ! ", caution)


def _left(job: Job) -> Iterator[str]:
    """Tests that were set aside, and what stands open."""
    lines = [
        f"Not done: {job.machine.tests[test].title}{f' ({reason})' if reason else ''}."
        for test, reason in job.skipped
    ]
    opened = words.open_words(job.machine, job.situation.open_areas)
    lines += [f"Stands open: {opened}."] if opened else []
    for line in lines:
        yield from _hanging("  ", line)
    yield from ("",) if lines else ()


def _hanging(first: str, text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first))
