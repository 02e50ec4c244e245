"""The decision problem of one complaint: hypotheses, tests, repairs and areas as flat arrays.

A hypothesis is the set of faults that are in the machine *now*. Because the belief is over what is
there now, a repair is nothing but a transition between hypotheses followed by the likelihood of
the functional check; everything measured before it stays in the weights. That is exact, and the
same construction as the network unrolled over epochs (Breese & Heckerman 1996).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from diagnose.advice import repair_cost

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Indices = NDArray[np.int64]


class Tables(NamedTuple):
    """What the kernels read.

    Attributes:
        like: (hypotheses, outcomes) P(outcome | hypothesis), the outcomes of all tests in a row.
        start: (tests + 1,) first outcome of each test.
        noise: (hypotheses, tests) entropy of each test's outcome given the hypothesis, bits.
        faults_of: (hypotheses, width) fault numbers, -1 beyond the last.
        explains: (faults,) 1 where the fault alone gives the complaint, now and then at least.
        fault_start, fault_repair: repairs that fix each fault, row by row.
        repair_start, repair_fault: faults that each repair fixes, row by row.
        repair_own: (repairs,) minutes of each with price and check, opening not included.
        repair_way: (repairs,) areas that must be open, as bits.
        repair_waste: (repairs,) minutes that a new part in place of a good one is worth avoiding.
        area_minutes: (areas,) to open, and to close again at the end.
        fault_way: (faults, areas) 1 where repairing the fault takes that area open.
    """

    like: Floats
    start: Ints
    noise: Floats
    faults_of: Ints
    explains: Floats
    fault_start: Indices
    fault_repair: Indices
    repair_start: Indices
    repair_fault: Indices
    repair_own: Floats
    repair_way: NDArray[np.int64]
    repair_waste: Floats
    area_minutes: Floats
    fault_way: Floats


@dataclass(frozen=True, slots=True, eq=False)
class TestTable:
    """The tests.

    Attributes:
        names: id of each.
        minutes: (tests,) own minutes, opening not included.
        area: (tests,) area, -1 where nothing needs opening.
        needs: for each, the tests that must have been done before, as bits.
        again: (tests,) whether it may be done again after a repair.
        slip: (tests,) share of results written down wrong.
        order: test numbers from the battery outwards.
    """

    names: tuple[str, ...]
    minutes: Floats
    area: Ints
    needs: tuple[int, ...]
    again: NDArray[np.bool_]
    slip: Floats
    order: tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class RepairTable:
    """The repairs.

    Attributes:
        names: `part.repair` of each.
        minutes: (repairs,) labour and the part's price in minutes; opening and check not included.
        area: (repairs,) area, -1 where nothing needs opening.
        fixes: (repairs, faults) 1 where the repair fixes the fault.
        part: (repairs,) number of the part.
        new_part: (repairs,) whether a new part goes in.
        after: (repairs, hypotheses) the hypothesis without the faults fixed.
        bad: (repairs, faults) chance that a new part has this fault itself.
        joined: (hypotheses, faults) the hypothesis with one fault more, -1 where there is none.
    """

    names: tuple[str, ...]
    minutes: Floats
    area: Ints
    fixes: NDArray[np.int8]
    part: Ints
    new_part: NDArray[np.bool_]
    after: Ints
    bad: Floats
    joined: Ints


@dataclass(frozen=True, slots=True, eq=False)
class DecisionProblem:
    """What to find out and put right, and what everything costs.

    Attributes:
        machine, complaint: what it is about.
        faults: (part, mode) by number.
        part_of: (faults,) number of the part.
        prior: (hypotheses,) probability as the job begins, the complaint seen.
        same: (hypotheses,) chance that the functional check says the complaint is still there.
        tests, repairs: what can be done.
        tables: the same for the kernels.
        area_names: ids of the areas.
        area_minutes: (areas,) to open, and to close again at the end.
        area_parent: (areas,) area it lies in, -1 for none.
        check_minutes: the functional check after a repair.
        escalate_minutes: handing over.
    """

    machine: str
    complaint: str
    faults: tuple[tuple[str, str], ...]
    part_of: Ints
    prior: Floats
    same: Floats
    tests: TestTable
    repairs: RepairTable
    tables: Tables
    area_names: tuple[str, ...]
    area_minutes: Floats
    area_parent: Ints
    check_minutes: float
    escalate_minutes: float

    @property
    def n_tests(self) -> int:
        """Number of tests."""
        return len(self.tests.names)

    @property
    def n_repairs(self) -> int:
        """Number of repairs."""
        return len(self.repairs.names)

    @property
    def n_hypotheses(self) -> int:
        """Number of hypotheses."""
        return len(self.prior)

    @property
    def escalate(self) -> int:
        """The number of the action that hands over; tests come first, then repairs, then this."""
        return self.n_tests + self.n_repairs

    def action_name(self, action: int) -> str:
        """Test id, `part.repair`, or `escalate`."""
        return (*self.tests.names, *self.repairs.names, "escalate")[action]

    def n_outcomes(self, test: int) -> int:
        """Number of outcomes of a test."""
        start = self.tables.start
        return int(start[test + 1] - start[test])


def make_tables(  # noqa: PLR0913, PLR0917 - one argument for each table
    chances: Sequence[Floats],
    faults_of: Ints,
    explains: Floats,
    repairs: RepairTable,
    area_minutes: Floats,
    area_parent: Ints,
    check_minutes: float,
    noise: Floats | None = None,
    good_part_minutes: float = 0.0,
) -> Tables:
    """Kernel tables.

    Args:
        chances: for each test (hypotheses, outcomes) P(outcome | hypothesis).
        faults_of: (hypotheses, width) fault numbers, -1 beyond the last.
        explains: (faults,) 1 where each alone gives the complaint, now and then at least.
        repairs: the repairs.
        area_minutes: (areas,) to open, and to close again at the end.
        area_parent: (areas,) area it lies in, -1 for none.
        check_minutes: after every repair.
        noise: (hypotheses, tests) entropy of each row of `chances`, bits; worked out if left out.
        good_part_minutes: what sparing a good part is worth.
    """
    ways = area_ways(area_parent)
    bits = np.bitwise_or.reduce(np.where(repairs.fixes.T, ways[repairs.area], 0), axis=1)
    none = np.zeros((len(faults_of), 0))
    if noise is None:
        noise = np.concatenate([none, *(entropy_bits(one)[:, None] for one in chances)], axis=1)
    waste = np.where(repairs.new_part, good_part_minutes, 0.0)
    own, way = repairs.minutes + check_minutes, ways[repairs.area]
    listed = repair_cost.make_tables(repairs.fixes, own, way, waste, area_minutes)
    return Tables(
        like=np.ascontiguousarray(np.concatenate([none, *chances], axis=1)),
        start=np.cumsum([0, *(one.shape[1] for one in chances)]).astype(np.int32),
        noise=np.ascontiguousarray(noise),
        faults_of=np.ascontiguousarray(faults_of, dtype=np.int32),
        explains=np.ascontiguousarray(explains, dtype=np.float64),
        fault_way=(bits[:, None] >> np.arange(len(area_minutes)) & 1).astype(np.float64),
        **listed._asdict(),
    )


def area_ways(area_parent: Ints) -> NDArray[np.int64]:
    """(areas + 1,) areas to open on the way into each, itself included, as bits.

    The last one stands for no area, so that -1 finds it.
    """
    ways = np.zeros(len(area_parent) + 1, dtype=np.int64)
    for area in range(len(area_parent)):
        inside = area
        while inside >= 0:
            ways[area] |= 1 << inside
            inside = int(area_parent[inside])
    return ways


def entropy_bits(chances: Floats) -> Floats:
    """(...,) entropy over the last axis, bits."""
    found: Floats = -np.sum(chances * np.log2(np.where(chances > 0.0, chances, 1.0)), axis=-1)
    return found
