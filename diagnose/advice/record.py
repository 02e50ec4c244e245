"""What was found and done so far, each with how far it surprised."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from diagnose.advice.advice import RecordedFinding, RecordedRepair

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.belief.belief import Belief, Surprise
    from diagnose.belief.situation import Finding, Situation
    from diagnose.machine.model import Machine


def recorded(machine: Machine, situation: Situation, belief: Belief) -> tuple[RecordedFinding, ...]:
    """The findings with the surprise of each, given those before it."""
    chances = {(one.repairs_before, one.node): one.chance for one in belief.surprises}
    return tuple(
        RecordedFinding(
            test=finding.test,
            outcome=finding.outcome,
            reading=finding.reading,
            unit=None if finding.reading is None else machine.tests[finding.test].unit,
            surprise_bits=surprise_bits(chances[number, finding.test]),
            repairs_before=number,
        )
        for number, finding in _findings(situation)
    )


def surprise_bits(chance: float) -> float:
    """-log2 of the chance of what was seen."""
    return max(-math.log2(max(chance, 1e-300)), 0.0)


def repairs_done(
    machine: Machine, situation: Situation, belief: Belief
) -> tuple[RecordedRepair, ...]:
    """The repairs, each with the chance that it would end the complaint."""
    checks = {seen.node: seen for seen in belief.surprises}
    found = []
    for number, epoch in enumerate(situation.past, 1):
        done = epoch.repair
        repairs = machine.parts[done.part].repairs
        title = next(repair.title for repair in repairs if repair.id == done.repair)
        chance = _chance_gone(checks.get(f"check_{number}"), gone=bool(done.gone))
        found.append(RecordedRepair(done.part, done.repair, title, done.gone, chance))
    return tuple(found)


def _chance_gone(check: Surprise | None, *, gone: bool) -> float | None:
    """Chance that the check would show the complaint gone; None when nobody looked."""
    if check is None:
        return None
    return check.chance if gone else 1.0 - check.chance


def _findings(situation: Situation) -> Iterator[tuple[int, Finding]]:
    """Every finding with the number of repairs before it."""
    for number, epoch in enumerate(situation.past):
        yield from ((number, finding) for finding in epoch.findings)
    yield from ((len(situation.past), finding) for finding in situation.findings)
