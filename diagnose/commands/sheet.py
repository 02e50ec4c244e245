"""The finding sheet: what was found on a job, as text for the job's folder."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from diagnose.commands import words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from diagnose.advice.advice import Advice
    from diagnose.job import Job

WIDTH = 78
SUSPECTS = 5


def finding_sheet(job: Job, advice: Advice, when: datetime) -> str:
    """Complaint, findings in order, likeliest failures and what comes next.

    Args:
        job: the job as it stands.
        advice: its advice.
        when: printed as the day and minute of the sheet.
    """
    machine = job.machine
    lines = [
        "FINDING SHEET",
        f"{when:%Y-%m-%d %H:%M}",
        "",
        f"Machine     {machine.title} ({machine.id}, version {machine.version})",
        f"Complaint   {machine.complaints[advice.complaint].title}",
        "",
        "Findings and repairs",
        *_findings(job, advice),
        "",
        "Likeliest failures",
        *_suspects(job, advice),
        "",
        "Next",
        *_next(job, advice),
        *_left(job),
        "",
        *textwrap.wrap(
            "The maker's service manual, local codes and licensed practice come before anything "
            "on this sheet. After the repair: start it, and try every interlock.",
            WIDTH,
        ),
    ]
    return "\n".join(lines) + "\n"


def _findings(job: Job, advice: Advice) -> Iterator[str]:
    if not advice.findings and not advice.repairs:
        yield "  none"
    number = 0
    for repairs in range(len(advice.repairs) + 1):
        for finding in advice.findings:
            if finding.repairs_before == repairs:
                number += 1
                outcome = words.result_words(job.machine, finding)
                title = job.machine.tests[finding.test].title
                yield from _hanging(f"{number:>3}. ", f"{title}: {outcome}")
        if repairs < len(advice.repairs):
            done = advice.repairs[repairs]
            told = f"{words.repair_words(job.machine, done)}: {words.check_words(done.gone)}"
            yield from _hanging("  *  ", f"Repaired: {told}")
    if advice.folded_repairs:
        yield from _hanging("  ", words.folded_words(advice.folded_repairs))


def _suspects(job: Job, advice: Advice) -> Iterator[str]:
    for suspect in advice.suspects[:SUSPECTS]:
        fault = words.fault_words(job.machine, suspect.part, suspect.mode)
        yield from _hanging(f"{words.percent(suspect.probability):>9}  ", fault)


def _next(job: Job, advice: Advice) -> Iterator[str]:
    machine, verdict = job.machine, advice.verdict
    repair = words.repair_of(machine, verdict.target)
    cautions: tuple[str, ...] = ()
    if verdict.action == "repair" and repair is not None:
        part, one = repair
        yield from _hanging("  ", f"Repair: {words.part_words(machine, part)}. {one.title}.")
        cautions = one.cautions
    elif verdict.target in machine.tests:
        test = machine.tests[verdict.target]
        again = "Do again" if verdict.action == "recheck" else "Test"
        yield from _hanging("  ", f"{again}: {test.title}.")
        cautions = test.cautions
    yield from _hanging("  ", verdict.reason)
    for caution in words.caution_texts(machine, cautions):
        yield from _hanging("  ! ", caution)


def _left(job: Job) -> Iterator[str]:
    """Tests that were set aside, and what stands open."""
    for test, reason in job.skipped:
        because = f" ({reason})" if reason else ""
        yield from _hanging("  ", f"Not done: {job.machine.tests[test].title}{because}.")
    opened = [area for area in job.machine.areas if area in job.situation.open_areas]
    if opened:
        yield from _hanging("  ", f"Stands open: {words.area_words(job.machine, opened)}.")


def _hanging(first: str, text: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=" " * len(first))
