"""What the meter should show, in numbers, if a part is good and for the leading suspects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.explain import leading
from diagnose.faults.outcomes import CANNOT, spread_of
from diagnose.faults.readings import outcome_of
from diagnose.faults.temperature import volts_to_add

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.belief.situation import Situation
    from diagnose.rule.prepared import Prepared

SUSPECTS = 4
"""So many of the leading ones are spoken of."""


@dataclass(frozen=True, slots=True)
class Expectation:
    """What one test would read with one fault, or with none.

    Attributes:
        part, mode: the fault; empty when everything is good.
        probability: posterior of the fault; of nothing else for the good case, 0.
        low, typical, high: two standard deviations below, the value itself, two above.
        other: the second reading of an unsteady circuit; equal to `typical` when it is steady.
        unit: unit of these numbers.
        outcome: the outcome that the typical value stands for.
    """

    part: str
    mode: str
    probability: float
    low: float
    typical: float
    high: float
    other: float
    unit: str
    outcome: str


def expectations(
    prepared: Prepared,
    situation: Situation,
    test_id: str,
    faults: NDArray[np.float64],
) -> tuple[Expectation, ...]:
    """The good reading first, then those of the leading suspects; none for a test without a unit.

    Suspects under which the test cannot be done read nothing and are left out.

    Args:
        prepared: the machine.
        situation: only faults that can give its complaint are named; its temperature counts.
        test_id: id of the test.
        faults: (faults,) posterior of every fault.
    """
    test = prepared.machine.tests[test_id]
    if test.unit is None:
        return ()
    none = len(prepared.faults)
    suspects = [none, *leading(faults * prepared.stopping(situation.complaint), SUSPECTS)]
    shift = volts_to_add(prepared.machine, test, situation.temperature_celsius)
    solved, column = prepared.sets.now(), prepared.behaviour.column_of(test)
    readings = solved.readings(column, solved.pair_row[suspects, none].astype(np.int64))
    found = []
    for fault, reading in zip(suspects, readings, strict=True):
        possible = [float(value) - shift for value in reading if value > CANNOT]
        if not possible:
            continue
        typical, other = possible[0], possible[-1]
        spread = 2.0 * float(spread_of(test, np.array(typical)))
        good = fault == none
        part, mode = ("", "") if good else prepared.faults[fault]
        found.append(
            Expectation(
                part=part,
                mode=mode,
                probability=0.0 if good else float(faults[fault]),
                low=max(typical - spread, test.low),
                typical=typical,
                high=min(typical + spread, test.high),
                other=other,
                unit=test.unit,
                outcome=outcome_of(test, typical + shift),
            )
        )
    return tuple(found)
