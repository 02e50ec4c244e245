"""What a technician says he read, as a finding."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.belief.situation import Finding
from diagnose.errors import UnitError, UnknownNameError
from diagnose.faults.readings import check_reading, outcome_of, parse_reading
from diagnose.faults.temperature import REFERENCE_CELSIUS, volts_to_add

if TYPE_CHECKING:
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
