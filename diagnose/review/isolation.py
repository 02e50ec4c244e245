"""How many minutes it takes to isolate each single fault.

The rule of the bench: of the tests at hand, do the one with the most bits per minute. Here it
runs on the table of single faults alone. From a complaint, the candidates are the listed faults
that give it; the outcome of a test is the one that the true fault gives, and every candidate that
would have given another is out. The gain is the entropy of the outcome over the candidates by
their priors. A fault is isolated when one repair puts right whatever is left, or when no test at
hand splits what is left. Minutes are those of the tests and of opening what was not open yet.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from diagnose.ahead.bench import standing
from diagnose.faults.chances import entropy_bits
from diagnose.review.groups import repair_items
from diagnose.review.table import SCORE_DIGITS
from diagnose.rule import gate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from diagnose.review.table import OutcomeTable


class Way(NamedTuple):
    """Jobs that went the same way so far.

    Attributes:
        faults: candidates left.
        done: tests done, as bits.
        open_areas: areas that stand open, as bits.
        minutes: spent so far.
    """

    faults: NDArray[np.int64]
    done: int = 0
    open_areas: int = 0
    minutes: float = 0.0


def isolation_minutes(
    table: OutcomeTable, chosen: Sequence[int], complaint: int
) -> NDArray[np.float64]:
    """(faults,) minutes until each is isolated; NaN for those that do not give the complaint.

    Args:
        table: tests against single faults.
        chosen: rows of the tests with a tool at hand.
        complaint: row of `table.explains`.
    """
    spent = np.full(len(table.faults), np.nan)
    begin = np.flatnonzero(table.explains[complaint, : table.n_listed] > 0.0)
    weights = table.priors * table.explains[complaint]
    never = sum(1 << row for row in set(range(len(table.tests))).difference(chosen))
    ways = [Way(begin)] if len(begin) else []
    while ways:
        way = ways.pop()
        access = table.costs.at(way.open_areas)
        barred = standing(table.costs, done=way.done, never=never).barred
        row = _next_test(table, way.faults, weights[way.faults], access.test_minutes, barred)
        if row < 0:
            spent[way.faults] = way.minutes
            continue
        shown = table.predicted[row, way.faults]
        opened, minutes = int(access.test_opens[row]), way.minutes + access.test_minutes[row]
        ways += [
            Way(way.faults[shown == outcome], way.done | 1 << row, opened, minutes)
            for outcome in np.unique(shown)
        ]
    return spent


def _next_test(
    table: OutcomeTable,
    faults: NDArray[np.int64],
    weight: NDArray[np.float64],
    minutes: NDArray[np.float64],
    barred: NDArray[np.bool_],
) -> int:
    """Row of the test to do, -1 when the fault is isolated as far as it can be.

    The most bits per minute; ties by fewer minutes, then by the file.
    """
    if repair_items(table.machine, [table.faults[f] for f in faults]) <= 1:
        return -1
    weight = weight if weight.sum() > 0.0 else np.ones(len(weight))
    shown = table.predicted[:, faults]
    mass = np.stack([(shown == o) @ weight for o in range(shown.max(initial=0) + 1)], axis=-1)
    gains = entropy_bits(mass / weight.sum())
    rate = gate.bits_per_minute(gains, minutes).round(SCORE_DIGITS)
    rows = np.flatnonzero(~barred & (gains > gate.MINIMUM_GAIN_BITS))
    order = np.lexsort((rows, minutes[rows].round(SCORE_DIGITS), -rate[rows]))
    return int(rows[order[0]]) if len(rows) else -1
