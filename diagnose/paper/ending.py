"""A job that is done, in words: cause, repair, minutes, readings, what to watch, closing up."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.advice.explain import LEFT_OVER, percent
from diagnose.belief.situation import seen_to_do
from diagnose.machine.model import RUNS
from diagnose.paper import words
from diagnose.paper.good import good_outcome
from diagnose.rule.minutes import access_minutes, to_open

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from diagnose.advice.advice import Advice, RecordedFinding, RecordedRepair, Suspect
    from diagnose.belief.situation import Epoch, Situation
    from diagnose.job import Job
    from diagnose.machine.model import Machine, Repair


@dataclass(frozen=True, slots=True)
class Ending:
    """What is to be said and written down when a machine runs again; one text a line.

    Attributes:
        causes: what was wrong, with its chance before the repair.
        done: what was fitted or done, and what the machine did then unless it ran.
        minutes: labour from the first test to closing up, by the machine file, in words.
        readings: of each test, before and after the last repair.
        watch: what may bring it back, what has still to be found out, and that every interlock is
            tried.
        close: what stands open and has to be closed, with the minutes; empty when nothing does.
    """

    causes: tuple[str, ...]
    done: tuple[str, ...]
    minutes: str
    readings: tuple[str, ...]
    watch: tuple[str, ...]
    close: tuple[str, ...]


def ending(job: Job, advice: Advice) -> Ending:
    """The end of a job whose last repair left the machine running.

    Raises:
        ClashError: the findings cannot all be true.
    """
    machine = job.machine
    opened = words.open_words(machine, job.situation.open_areas)
    closing = words.minutes_words(advice.closing_minutes)
    return Ending(
        causes=tuple(_causes(job)),
        done=tuple(_done(machine, known) for known in advice.repairs),
        minutes=words.minutes_words(job_minutes(job)),
        readings=tuple(_readings(job, advice)),
        watch=tuple(_watch(job, advice)),
        close=(f"Close up what stands open, {closing}.",) if opened else (),
    )


def _done(machine: Machine, repair: RecordedRepair) -> str:
    """A repair, and what the machine did after it unless it ran."""
    told = words.repair_words(machine, repair)
    return told if repair.check == RUNS else f"{told}; {words.check_words(machine, repair.check)}"


def _causes(job: Job) -> Iterator[str]:
    """The likeliest fault that each repair which changed something put right."""
    for number, epoch in enumerate(job.situation.past):
        before = _before(job.situation, number)
        if epoch.repair.check == seen_to_do(job.machine, before):
            continue  # it does as before, so nothing of it was put right
        fault = _put_right(replace(job, situation=before), epoch)
        if fault is not None:
            told = words.fault_words(job.machine, fault.part, fault.mode)
            yield f"{told} ({percent(fault.probability)} sure before)"


def _before(situation: Situation, number: int) -> Situation:
    """The situation in which a repair was decided on."""
    past = situation.past
    return replace(situation, past=past[:number], findings=past[number].findings)


def _put_right(job: Job, epoch: Epoch) -> Suspect | None:
    """The likeliest suspect among the faults that a repair fixes; None where it fixes none."""
    part, repair = _repair(job.machine, epoch)
    fixed = {(name, mode) for name, modes in repair.puts_right(part).items() for mode in modes}
    suspects = job.advise().suspects
    return next((one for one in suspects if (one.part, one.mode) in fixed), None)


def _repair(machine: Machine, epoch: Epoch) -> tuple[str, Repair]:
    part = epoch.repair.part
    repairs = {repair.id: repair for repair in machine.parts[part].repairs}
    return part, repairs[epoch.repair.repair]


def job_minutes(job: Job) -> float:
    """Minutes of labour by the machine file: tests, repairs, trying, opening and closing once."""
    machine, situation = job.machine, job.situation
    stretches = [*(epoch.findings for epoch in situation.past), situation.findings]
    tests = [machine.tests[found.test] for stretch in stretches for found in stretch]
    done = [_repair(machine, epoch) for epoch in situation.past]
    reached = [test.area for test in tests] + [machine.parts[part].area for part, _ in done]
    areas = {area for name in reached for area in to_open(machine, name, ())}
    areas |= situation.open_areas
    return (
        sum(test.minutes for test in tests)
        + sum(repair.minutes + machine.shop.check_minutes for _, repair in done)
        + sum(access_minutes(machine.areas[area]) for area in areas)
    )


def _readings(job: Job, advice: Advice) -> Iterator[str]:
    """`Measure ...: 11.9 V before, 12.6 V after` for each test that was measured.

    Those read again come first, then those that were not as on a good machine.
    """
    machine, last = job.machine, len(advice.repairs)
    measured = [found for found in advice.findings if machine.tests[found.test].unit is not None]
    lines: list[tuple[int, str]] = []
    for test in dict.fromkeys(found.test for found in measured):
        own = [found for found in measured if found.test == test]
        after = [found for found in own if found.repairs_before == last]
        before = [found for found in own if found.repairs_before < last]
        told = [f"{_short(machine, found[-1])} {when}" for found, when in _when(before, after)]
        rank = 0 if after else 1 + (before[-1].outcome == good_outcome(job, machine.tests[test]).id)
        lines.append((rank, f"{machine.tests[test].title}: {', '.join(told)}"))
    yield from (line for _, line in sorted(lines, key=lambda ranked: ranked[0]))


def _when(
    before: Sequence[RecordedFinding], after: Sequence[RecordedFinding]
) -> Iterator[tuple[Sequence[RecordedFinding], str]]:
    yield from ((found, when) for found, when in ((before, "before"), (after, "after")) if found)


def _short(machine: Machine, found: RecordedFinding) -> str:
    """The reading alone, or the outcome where none was told."""
    if found.reading is None or found.unit is None:
        return words.outcome_words(machine, found.test, found.outcome)
    return words.reading_words(found.reading, found.unit)


def _watch(job: Job, advice: Advice) -> Iterator[str]:
    """A loose joint that is left, a fuse that blew for a reason, and the notes of the verdict."""
    machine, parts = job.machine, job.machine.parts
    mended = [parts[epoch.repair.part].kind for epoch in job.situation.past]
    for suspect in advice.suspects:
        mode = parts[suspect.part].modes[suspect.mode] if suspect.part in parts else None
        if mode is None or not mode.loose or suspect.probability < LEFT_OVER:
            continue
        fault = words.fault_words(machine, suspect.part, suspect.mode)
        chance = percent(suspect.probability)
        yield f"May still be there: {fault} ({chance}). Move it while the machine runs."
    if "fuse" in mended:
        yield "If the fuse blows again, find the short behind it first."
    yield from advice.verdict.notes
