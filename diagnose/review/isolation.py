"""How many minutes it takes to isolate each single fault.

The rule of the bench: of the tests at hand, do the one with the most bits per minute. Here it
runs on the table of single faults alone. From a complaint, the candidates are the listed faults
that give it; the outcome of a test is the one that the true fault gives, and every candidate that
would have given another is out. The gain is the entropy of the outcome over the candidates by
their priors. A fault is isolated when one repair puts right whatever is left, or when no test at
hand splits what is left. Minutes are those of the tests and of opening what was not open yet.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.rule.minutes import opening_minutes, to_open
from diagnose.review.groups import repair_items

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Test
    from diagnose.review.table import OutcomeTable

SCORE_DIGITS = 9
"""Bits per minute are compared to so many digits, so that ties fall alike on every computer."""


@dataclass(frozen=True, slots=True, eq=False)
class Node:
    """A point on the way: what may still be wrong, and what has been done.

    Attributes:
        faults: candidates left.
        done: rows of the tests done.
        open_areas: areas that stand open.
        minutes: spent so far.
    """

    faults: NDArray[np.int64]
    done: tuple[int, ...] = ()
    open_areas: frozenset[str] = frozenset()
    minutes: float = 0.0

    def after(self, machine: Machine, row: int, test: Test) -> Node:
        """The same candidates after a test has been done."""
        opens = to_open(machine, test.area, self.open_areas)
        return Node(
            faults=self.faults,
            done=(*self.done, row),
            open_areas=self.open_areas | set(opens),
            minutes=self.minutes + test.minutes + opening_minutes(machine, opens),
        )

    def split(self, predicted: NDArray[np.int64]) -> list[Node]:
        """One node per outcome, with the candidates that give it.

        Args:
            predicted: (faults + 1,) outcome of the test done last under each fault.
        """
        shown = predicted[self.faults]
        return [
            Node(self.faults[shown == outcome], self.done, self.open_areas, self.minutes)
            for outcome in np.unique(shown)
        ]


def at_hand(table: OutcomeTable, chosen: Sequence[int], done: Sequence[int]) -> list[int]:
    """Rows of the tests not done yet whose forerunners have been done."""
    finished = {table.tests[row].id for row in done}
    return [
        row for row in chosen if row not in done and finished.issuperset(table.tests[row].needs)
    ]


def ranked(
    table: OutcomeTable, node: Node, rows: Sequence[int], gains: NDArray[np.float64]
) -> list[int]:
    """Rows with a gain, most bits per minute first; ties by fewer minutes, then by the file.

    Args:
        table: the machine's tests.
        node: where the job stands.
        rows: tests at hand.
        gains: (rows,) what each would tell, in bits.
    """
    found = []
    for row, gain in zip(rows, gains, strict=True):
        minutes = node.after(table.machine, row, table.tests[row]).minutes - node.minutes
        if gain > 1e-6:
            found.append((-round(float(gain) / max(minutes, 1e-6), SCORE_DIGITS), minutes, row))
    return [row for *_, row in sorted(found)]


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
    nodes = [Node(begin)] if len(begin) else []
    while nodes:
        node = nodes.pop()
        row = _next_test(table, chosen, node, weights)
        if row < 0:
            spent[node.faults] = node.minutes
        else:
            done = node.after(table.machine, row, table.tests[row])
            nodes += done.split(table.predicted[row])
    return spent


def _next_test(
    table: OutcomeTable, chosen: Sequence[int], node: Node, weights: NDArray[np.float64]
) -> int:
    """Row of the test to do, -1 when the fault is isolated as far as it can be."""
    if repair_items(table.machine, [table.faults[f] for f in node.faults]) <= 1:
        return -1
    rows = at_hand(table, chosen, node.done)
    weight = weights[node.faults]
    weight = weight if weight.sum() > 0.0 else np.ones(len(weight))
    shown = table.predicted[rows][:, node.faults]
    mass = np.stack([(shown == o) @ weight for o in range(table.chances.shape[2])], axis=-1)
    return next(iter(ranked(table, node, rows, entropy_bits(mass / weight.sum()))), -1)


def entropy_bits(chances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Entropy over the last axis, in bits: `-sum p log2 p`."""
    logs = np.log2(chances, out=np.zeros_like(chances), where=chances > 0.0)
    found: NDArray[np.float64] = -(chances * logs).sum(axis=-1)
    return found
