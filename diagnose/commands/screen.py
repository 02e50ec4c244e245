"""The bench screen: do this, good is, type this; all else is for `why`, `list` and `open`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.commands import words
from diagnose.commands.cautions import MAKES_SPARKS, Cautions, cautions_of
from diagnose.commands.good import good_words
from diagnose.errors import ClashError
from diagnose.faults.outcomes import UNSTEADY
from diagnose.machine.model import NOT_POSSIBLE
from diagnose.rule.minutes import labour_minutes, to_open

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from diagnose.commands.turn import Turn
    from diagnose.job import Job
    from diagnose.machine.model import Machine, Repair, Test

MEASURES = {"V": "volts", "A": "amps", "ohm": "ohms"}
"""What is read, in words, by its unit."""

AT_THE_BENCH_SECONDS = 0.25
"""Somebody reads the screen meanwhile; the figures are steadier than with less."""

LINE = 60
"""Letters up to which outcomes to choose from stand in one line."""


@dataclass(frozen=True, slots=True)
class Screen:
    """What stands on a bench screen below the leading suspect.

    Attributes:
        do: what to do, where, how the controls stand, what to open first; one line each.
        good: what a good machine gives; empty where there is nothing to find out.
        typed: what can be typed, one line each.
        cautions: those of the action.
    """

    do: tuple[str, ...]
    good: str
    typed: tuple[str, ...]
    cautions: Cautions


def screen_of(turn: Turn, seen: Collection[str]) -> Screen:
    """The screen for where the talk stands; for a job that is not done.

    Args:
        turn: the job, its advice, and the test asked for.
        seen: ids of the cautions shown in full before.
    """
    job, machine, verdict = turn.job, turn.job.machine, turn.advice.verdict
    if turn.asked:
        test = machine.tests[turn.asked]
        sparks = test.kind in MAKES_SPARKS
        cautions = cautions_of(machine, test.cautions, seen, sparks=sparks)
        do = tuple(_to_test(turn, test))
        return Screen(do, good_words(job, test), tuple(_to_type(machine, test)), cautions)
    target = words.repair_of(machine, verdict.target)
    if target is None:
        told = ("`quit` writes the sheet.", "`list` shows what else tells.")
        do = (f"Hand over. {verdict.reason}", *verdict.notes)
        return Screen(do, "", told, Cautions((), ()))
    part, repair = target
    cautions = cautions_of(machine, repair.cautions, seen, sparks=True)
    do = tuple(_to_repair(job, part, repair))
    typed = ("`repaired runs`, `repaired same`, or `repaired` for what else it may do",)
    return Screen(do, "it starts and runs, and every interlock stops it", typed, cautions)


def lead_words(turn: Turn, left: str) -> str:
    """The leading suspect with its chance, and the minutes left."""
    first = turn.advice.suspects[0]
    fault = words.fault_words(turn.job.machine, first.part, first.mode)
    told = f"{fault}, {words.chance_words(first.probability)}"
    return f"{told}; {left}" if left else told


def left_of(job: Job, *, with_percentile: bool = False) -> str:
    """The minutes left; empty when the findings cannot all be true."""
    try:
        further = job.look_further(AT_THE_BENCH_SECONDS)
    except ClashError:
        return ""
    return words.left_words(further) if with_percentile else words.mean_words(further)


def _to_test(turn: Turn, test: Test) -> Iterator[str]:
    """What to do for a test."""
    machine, verdict = turn.job.machine, turn.advice.verdict
    again = verdict.action == "recheck" and verdict.target == test.id
    yield f"Look again, it does not fit the rest: {test.title}." if again else f"{test.title}."
    if test.probes is not None:
        yield f"{probe_words(machine, test)}."
    if test.condition is not None:
        yield f"{_capital(machine.conditions[test.condition].title)}."
    yield from _to_open(turn.job, test.area)


def probe_words(machine: Machine, test: Test) -> str:
    """`Red on the battery's plus post, black on bare metal of the frame`; empty without probes."""
    if test.probes is None:
        return ""
    first, second = ("Tip", "clip") if test.kind == "lamp" else ("Red", "black")
    at, against = (machine.nets[net] for net in test.probes)
    return f"{first} on {at}, {second} on {against}"


def _to_repair(job: Job, part: str, repair: Repair) -> Iterator[str]:
    """What to do for a repair."""
    machine = job.machine
    minutes = labour_minutes(machine, part, repair, job.situation.open_areas)
    price = f", parts {repair.price_eur:.0f} EUR" if repair.price_eur else ", no parts"
    yield f"{words.part_words(machine, part)}: {repair.title}. {words.minutes_words(minutes)}{price}."
    yield from _to_open(job, machine.parts[part].area)


def _to_open(job: Job, area: str | None) -> Iterator[str]:
    opens = to_open(job.machine, area, job.situation.open_areas)
    if opens:
        yield f"First: {words.area_words(job.machine, opens)}."


def _to_type(machine: Machine, test: Test) -> Iterator[str]:
    """What can be typed: a reading in its unit, or the outcomes by number."""
    names = {outcome.id for outcome in test.outcomes}
    if test.unit is not None:
        beside = [f"`{name}`" for name in ("open", UNSTEADY, NOT_POSSIBLE) if name in names]
        yield ", ".join((f"the {MEASURES[test.unit]}", *beside))
        return
    said = said_outcomes(machine, test).values()
    shown = [f"{number} {title}" for number, title in enumerate(said, 1)]
    watched = words.watched_words(machine, test.id)
    line = f"{watched}{', '.join(shown)}"
    if len(line) <= LINE:
        yield line
        return
    if watched:
        yield watched.strip()
    yield from shown


def said_outcomes(machine: Machine, test: Test) -> dict[str, str]:
    """Outcome of a test -> its words, as they are shown and may be typed."""
    return {known.id: words.level_words(machine, test.id, known.id) for known in test.outcomes}


def _capital(title: str) -> str:
    return title[:1].upper() + title[1:]
