"""The bench screen: do this, good is, type this; all else is for `why`, `list` and `open`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.advice.explain import percent
from diagnose.commands.to_type import REPAIRED, to_type
from diagnose.errors import ClashError
from diagnose.faults.words import UNLISTED
from diagnose.paper import words
from diagnose.paper.cautions import MAKES_SPARKS, Cautions, cautions_of
from diagnose.paper.good import good_words
from diagnose.paper.where import where_lines
from diagnose.rule.minutes import labour_minutes, to_open

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from diagnose.commands.turn import Turn
    from diagnose.job import Job
    from diagnose.machine.model import Machine, Repair, Test

AT_THE_BENCH_SECONDS = 0.25
"""Somebody reads the screen meanwhile; the figures are steadier than with less."""


@dataclass(frozen=True, slots=True)
class Screen:
    """What stands on a bench screen.

    Attributes:
        cautions: those of the action.
        lead: the leading suspect with its chance, and the minutes left.
        do: what to do, where, how the controls stand, what to open first; one line each.
        good: what a good machine gives; empty where there is nothing to find out.
        typed: what can be typed, one line each.
        condition: id of the condition that the controls are put in; empty for none.
    """

    cautions: Cautions
    lead: str
    do: tuple[str, ...]
    good: str
    typed: tuple[str, ...]
    condition: str = ""


def screen_of(turn: Turn, left: str, seen: Collection[str] = (), held: str = "") -> Screen:
    """The screen for where the talk stands; for a job that is not done.

    Args:
        turn: the job, its advice, and the test asked for.
        left: the minutes left, in words; see `left_of`.
        seen: ids of the cautions shown in full before.
        held: id of the condition that the controls were put in on the screen before.

    Raises:
        ClashError: the findings cannot all be true.
    """
    lead = _lead(turn, left)
    if turn.asked:
        return _test_screen(turn, turn.job.machine.tests[turn.asked], lead, seen, held)
    verdict = turn.advice.verdict
    repair = words.repair_of(turn.job.machine, verdict.target)
    if repair is None:
        do = (f"{words.HAND_OVER}. {verdict.reason}", *verdict.notes)
        told = ("`quit` writes the sheet; `list` shows what else tells",)
        return Screen(Cautions((), ()), lead, do, "", told)
    return _repair_screen(turn.job, *repair, lead, seen)


def left_of(job: Job, *, with_percentile: bool = False) -> str:
    """The minutes left; empty when the findings cannot all be true."""
    try:
        further = job.look_further(AT_THE_BENCH_SECONDS)
    except ClashError:
        return ""
    return words.left_words(further) if with_percentile else words.mean_words(further)


def _lead(turn: Turn, left: str) -> str:
    """The leading suspect with its chance, and the minutes left."""
    first = turn.advice.suspects[0]
    fault = _short_fault_words(turn.job.machine, first.part, first.mode)
    told = f"{fault}, {percent(first.probability)}"
    return f"{told}; {left}" if left else told


def _test_screen(turn: Turn, test: Test, lead: str, seen: Collection[str], held: str) -> Screen:
    job, machine, verdict = turn.job, turn.job.machine, turn.advice.verdict
    again = verdict.action == "recheck" and verdict.target == test.id
    do = [f"Look again, it does not fit the rest: {test.title}." if again else f"{test.title}."]
    do.extend(where_lines(machine, test, held))
    do.extend(_to_open(job, test.area))
    cautions = cautions_of(machine, test.cautions, seen, sparks=test.kind in MAKES_SPARKS)
    good, typed = good_words(job, test), tuple(to_type(job, test, turn.advice))
    return Screen(cautions, lead, tuple(do), good, typed, test.condition or "")


def _repair_screen(job: Job, part: str, repair: Repair, lead: str, seen: Collection[str]) -> Screen:
    machine = job.machine
    minutes = words.minutes_words(labour_minutes(machine, part, repair, job.situation.open_areas))
    price = f"parts {repair.price_eur:.0f} EUR" if repair.price_eur else "no parts"
    title = f"{words.part_words(machine, part)}: {repair.title}"
    do = (
        f"{title}.",
        f"{minutes} with trying it, {price}.",
        *_to_open(job, machine.parts[part].area),
    )
    cautions = cautions_of(machine, repair.cautions, seen, sparks=True)
    return Screen(cautions, lead, do, "", REPAIRED)


def _to_open(job: Job, area: str | None) -> Iterator[str]:
    opens = to_open(job.machine, area, job.situation.open_areas)
    if opens:
        yield f"Open: {words.area_words(job.machine, opens)}."


def _short_fault_words(machine: Machine, part: str, mode: str) -> str:
    """A part with the first clause of how it failed, e.g. `Battery: sulphated`."""
    if part == UNLISTED or part not in machine.parts:
        return "Something this file does not list"
    known = machine.parts[part]
    title = known.modes[mode].title if mode in known.modes else mode
    return f"{known.title}: {title.partition(',')[0]}"
