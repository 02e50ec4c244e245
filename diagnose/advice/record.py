"""What a technician says he read, and what was found and done, with how far it surprised."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from diagnose.advice.advice import RecordedFinding, RecordedRepair
from diagnose.belief.factors import check_name, told_name
from diagnose.belief.situation import Finding
from diagnose.errors import UnitError, UnknownNameError
from diagnose.faults.readings import check_reading, outcome_of, parse_reading
from diagnose.faults.temperature import REFERENCE_CELSIUS, volts_to_add

if TYPE_CHECKING:
    from diagnose.belief.belief import Belief
    from diagnose.belief.situation import Situation
    from diagnose.machine.model import Machine, Test


def read_result(
    machine: Machine, test: Test, result: str | float, celsius: float = REFERENCE_CELSIUS
) -> Finding:
    """A finding from an outcome, a number, or a text with a number and a unit.

    Raises:
        UnknownNameError: a text that is no outcome of a test without readings.
        UnitError: a number the test does not take.
        ValueOutOfRangeError: a number out of range.
    """
    outcomes = [outcome.id for outcome in test.outcomes]
    if isinstance(result, str):
        text = result.strip()
        if text in outcomes:
            return Finding(test.id, text)
        number = text[:1] in "+-.0123456789" and text != ""
        if number and test.unit is None:
            raise UnitError(test.id, text, ())
        if not number:
            raise UnknownNameError("outcome", text, outcomes, test.id)
        result = parse_reading(test, text)
    value = check_reading(test, float(result))
    shift = volts_to_add(machine, test, celsius)
    return Finding(test.id, outcome_of(test, value + shift), value)


def recorded(machine: Machine, situation: Situation, belief: Belief) -> tuple[RecordedFinding, ...]:
    """The findings with the surprise of each, given those before it."""
    chances = {(seen.repairs_before, seen.node): seen.chance for seen in belief.surprises}
    stretches = [*(epoch.findings for epoch in situation.past), situation.findings]
    return tuple(
        RecordedFinding(
            test=finding.test,
            outcome=finding.outcome,
            reading=finding.reading,
            unit=None if finding.reading is None else machine.tests[finding.test].unit,
            surprise_bits=max(-math.log2(max(chances[number, finding.test], 1e-300)), 0.0),
            repairs_before=number,
            confirmed=finding.confirmed,
            others=finding.others,
        )
        for number, stretch in enumerate(stretches)
        for finding in stretch
    )


def repairs_done(
    machine: Machine, situation: Situation, belief: Belief
) -> tuple[RecordedRepair, ...]:
    """The repairs, each with how likely what trying the machine showed was."""
    seen = {one.node: one.chance for one in belief.surprises}
    found = []
    for number, epoch in enumerate(situation.past, 1):
        done = epoch.repair
        repairs = machine.parts[done.part].repairs
        title = next(repair.title for repair in repairs if repair.id == done.repair)
        chance = seen.get(check_name(number))
        if chance is not None:
            chance *= seen.get(told_name(number), 1.0)
        found.append(RecordedRepair(done.part, done.repair, title, done.check, chance))
    return tuple(found)
