"""What was found and done so far, each with how far it surprised."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

from diagnose.advice.advice import RecordedFinding, RecordedRepair
from diagnose.advice.epochs import ready_for
from diagnose.advice.situation import encode, last_check
from diagnose.network.words import NO

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.advice.situation import Finding, Situation
    from diagnose.network.ready import ReadyMachine


def recorded(ready: ReadyMachine, situation: Situation) -> tuple[RecordedFinding, ...]:
    """The findings with the surprise of each, given those before it.

    Args:
        ready: the machine as it came.
        situation: with all its repairs.
    """
    found: list[RecordedFinding] = []
    for number, (part, findings) in enumerate(_stretches(situation)):
        now = ready_for(ready, part)
        for k, one in enumerate(findings):
            earlier = replace(
                part, findings=findings[:k], open_areas=frozenset(), tools=frozenset()
            )
            found.append(
                RecordedFinding(
                    test=one.test,
                    outcome=one.outcome,
                    reading=one.reading,
                    unit=None if one.reading is None else ready.machine.tests[one.test].unit,
                    surprise_bits=_surprise_bits(now, earlier, one.test, one.outcome),
                    repairs_before=number,
                )
            )
    return tuple(found)


@lru_cache(maxsize=8192)
def _surprise_bits(ready: ReadyMachine, earlier: Situation, test: str, outcome: str) -> float:
    """-log2 of the chance of an outcome; a job asks again for all earlier ones at every step."""
    chance = ready.compiled.beliefs(encode(ready, earlier))[test][outcome]
    return max(-math.log2(max(chance, 1e-300)), 0.0)


def repairs_done(ready: ReadyMachine, situation: Situation) -> tuple[RecordedRepair, ...]:
    """The repairs, each with the chance that it would end the complaint.

    Args: as `recorded`.
    """
    found = []
    for number, epoch in enumerate(situation.past):
        done, after = epoch.repair, replace(situation, past=situation.past[: number + 1])
        title = next(
            one.title for one in ready.machine.parts[done.part].repairs if one.id == done.repair
        )
        chance = chance_gone(ready, after)
        found.append(RecordedRepair(done.part, done.repair, title, done.gone, chance))
    return tuple(found)


def chance_gone(ready: ReadyMachine, situation: Situation) -> float | None:
    """Chance that the check after the last repair shows the complaint gone, before it is made.

    Args:
        ready: the machine as it came.
        situation: with the last repair done; what was found since does not count. None when the
            repair was not checked.
    """
    if situation.past[-1].repair.gone is None:
        return None
    after = replace(situation, findings=())
    now = ready_for(ready, after)
    check = last_check(after, now.folded)
    return now.compiled.beliefs(encode(now, after, leave_out={check}))[check][NO]


def _stretches(situation: Situation) -> Iterator[tuple[Situation, tuple[Finding, ...]]]:
    """The situation as it was after every repair, with what was found then."""
    for number, epoch in enumerate(situation.past):
        yield replace(situation, past=situation.past[:number]), epoch.findings
    yield situation, situation.findings
