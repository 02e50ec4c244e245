"""What can be typed while a test or a repair is asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.faults.outcomes import TRY, UNSTEADY
from diagnose.machine.model import NOT_POSSIBLE
from diagnose.paper import words

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from diagnose.advice.advice import Advice
    from diagnose.job import Job
    from diagnose.machine.model import Machine, Test

MEASURES = {"V": "volts", "A": "amps", "ohm": "ohms"}
"""What is read, in words, by its unit."""

LINE = 70
"""Letters up to which outcomes to choose from stand in one line."""

MANY, SHOWN, LIKELY = 5, 4, 0.03
"""From more than `MANY` outcomes on only the likely ones are shown, `SHOWN` at most. Estimate."""

REPAIRED = ("try it, then `repaired runs`, `repaired same`, or `repaired` for a list",)
"""What is typed after a repair."""


def said_outcomes(machine: Machine, test: Test) -> dict[str, str]:
    """Outcome of a test -> its words, as they are shown and may be typed."""
    return {known.id: words.outcome_words(machine, test.id, known.id) for known in test.outcomes}


def to_type(job: Job, test: Test, advice: Advice) -> tuple[str, ...]:
    """What can be typed for a test: a reading in its unit, or the outcomes by number."""
    said = said_outcomes(job.machine, test)
    if test.unit is not None:
        beside = [f"`{name}`" for name in (words.OPEN, UNSTEADY, NOT_POSSIBLE) if name in said]
        return (f"{MEASURES[test.unit]}, {' or '.join(beside)}" if beside else MEASURES[test.unit],)
    chances = {end.outcome: end.probability for end in words.outcome_chances(advice, test.id)}
    shown = _likely(said, chances)
    told = job.complaint if test.kind == TRY else ""
    lines = [
        f"{number} {'as the customer says' if name == told else title}"
        for number, (name, title) in enumerate(said.items(), 1)
        if name in shown
    ]
    if len(shown) < len(said):
        lines.append(f"Enter lists all {len(said)}")
    return _laid_out(_watched_words(job.machine, test.id), lines)


def _likely(said: Mapping[str, str], chances: Mapping[str, float]) -> set[str]:
    """All outcomes of a few, the likely ones of many."""
    if len(said) <= MANY or not chances:
        return set(said)
    ranked = sorted(said, key=lambda name: -chances[name])[:SHOWN]
    return {name for name in ranked if chances[name] >= LIKELY}


def _laid_out(watched: str, lines: Iterable[str]) -> tuple[str, ...]:
    """In one line where that is short, else one below the other."""
    line = f"{watched}{', '.join(lines)}"
    return (line,) if len(line) <= LINE else (*([watched.strip()] if watched else ()), *lines)


def _watched_words(machine: Machine, test: str) -> str:
    """`Starter turns the engine: ` where a test watches a function; else empty."""
    function = machine.tests[test].function
    return "" if function is None else f"{machine.functions[function].title}: "
