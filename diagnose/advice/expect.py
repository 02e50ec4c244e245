"""What the meter should show, in numbers, if a part is good and for the leading suspects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.explain import leading
from diagnose.advice.repair_cost import can_give
from diagnose.network.outcomes import spread_of
from diagnose.network.readings import outcome_of
from diagnose.network.temperature import volts_to_add

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.advice.situation import Situation
    from diagnose.network.ready import ReadyMachine


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
    ready: ReadyMachine,
    situation: Situation,
    test_id: str,
    faults: NDArray[np.float64],
    count: int = 4,
) -> tuple[Expectation, ...]:
    """The good reading first, then those of the leading suspects.

    Args:
        ready: the machine.
        situation: only faults that can give its complaint are named; its temperature counts.
        test_id: a test with a unit.
        faults: (faults,) posterior of every fault.
        count: how many suspects.
    """
    test = ready.machine.tests[test_id]
    if test.unit is None or test_id not in ready.single_readings:
        return ()
    rows = [len(ready.faults), *leading(faults * can_give(ready, situation.complaint), count)]
    shift = volts_to_add(ready.machine, test, situation.temperature_celsius)
    found = []
    for row in rows:
        typical, other = (float(v) - shift for v in ready.single_readings[test_id][row])
        spread = 2.0 * float(spread_of(test, np.array(typical)))
        good = row == len(ready.faults)
        part, mode = ("", "") if good else ready.faults[row]
        found.append(
            Expectation(
                part=part,
                mode=mode,
                probability=0.0 if good else float(faults[row]),
                low=max(typical - spread, test.low),
                typical=typical,
                high=min(typical + spread, test.high),
                other=other,
                unit=test.unit,
                outcome=outcome_of(test, typical + shift),
            )
        )
    return tuple(found)
