"""A closed decision problem: a few hundred fault sets that tests and repairs lead between.

Looking ahead plays thousands of steps, so it holds a belief thinned to some hundred sets, with
every set that a repair leads to. Small made-up machines, whose best policy can be worked out, are
problems of the same kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.ahead.thinning import thinned
from diagnose.belief.survey import mixture_of, tables_of
from diagnose.faults.manners import SHARES
from diagnose.faults.priors import new_part_modes
from diagnose.faults.tried import always_runs, check_shares, with_slips

if TYPE_CHECKING:
    from collections.abc import Iterable

    from diagnose.belief.belief import Belief
    from diagnose.belief.survey import SetTables
    from diagnose.faults.behaviour import FaultSet
    from diagnose.rule.costs import Costs
    from diagnose.rule.prepared import Prepared

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class DecisionProblem:
    """What to find out and put right, and what everything costs.

    Attributes:
        costs: what everything costs.
        prior: (sets,) probability as it begins; a fault set with a loose joint is there once for
            each manner in which it may stand.
        tables: what every test shows under each set.
        explains: (faults,) 1 where each fault alone keeps the job from being done.
        checks: (sets, results) chance of each result of trying the machine; that it runs is first.
        after: (repairs, sets) the set without the faults that a repair fixes.
        bad: (repairs, faults) chance that a new part has each fault itself.
        joined: (sets, faults) the set with one fault more, -1 where the problem does not hold it;
            there a new part is taken to be good.
        part_of: (faults,) number of the part.
        gives: (results, faults) whether each alone ever gives each result of trying the machine;
            None where every fault gives the same.
        hides: (faults,) share of the time that the machine runs with each fault alone; None: never.
    """

    costs: Costs
    prior: Floats
    tables: SetTables
    explains: Floats
    checks: Floats
    after: Ints
    bad: Floats
    joined: Ints
    part_of: Ints
    gives: NDArray[np.bool_] | None = None
    hides: Floats | None = None

    @property
    def n_sets(self) -> int:
        """Number of fault sets."""
        return len(self.prior)

    @property
    def n_faults(self) -> int:
        """Number of faults."""
        return len(self.part_of)

    def n_outcomes(self, test: int) -> int:
        """Number of outcomes of a test."""
        start = self.tables.start
        return int(start[test + 1] - start[test])


def thinned_problem(
    prepared: Prepared, complaint: str, belief: Belief, most: int
) -> DecisionProblem:
    """The problem that a belief poses, told by a few of its fault sets.

    Args:
        prepared: the machine.
        complaint: what it is about.
        belief: what is believed.
        most: sets of the belief kept; what repairs lead to comes on top.
    """
    weight = thinned(belief.weight, most)
    kept = np.flatnonzero(weight)
    costs, none = prepared.costs, len(prepared.faults)
    sets = [tuple(f for f in row if f < none) for row in belief.members[kept].tolist()]
    closed = _closed(sets, costs)
    number = {faults: row for row, faults in enumerate(closed)}
    solved = prepared.sets.with_sets(closed)
    rows = np.array([solved.row(faults) for faults in closed], dtype=np.int64)
    there = prepared.sets.there(solved, rows, np.ones(len(prepared.sets.priors.free)))
    there[: len(kept)] = belief.there[kept]
    prior = np.zeros((len(closed), len(SHARES)))
    prior[: len(kept)] = (weight[kept] / weight[kept].sum())[:, None] * belief.manners[kept]
    case = _Cases(solved.loose_in(rows))
    manners = np.eye(len(SHARES))[case.manner]
    rows, there = rows[case.of], there[case.of]
    shares = check_shares(prepared.behaviour, solved, complaint, rows, manners)
    fine = always_runs(prepared.behaviour, solved, complaint, rows)
    stands = mixture_of(prepared.sets.columns, solved, rows, manners)
    tables = tables_of(prepared.sets.columns, solved, rows, there, stands)
    return DecisionProblem(
        costs=costs,
        prior=prior[case.of, case.manner],
        tables=tables._replace(fine=fine, same=case.of),
        explains=prepared.stopping(complaint),
        gives=prepared.gives[complaint],
        hides=prepared.hides[complaint],
        checks=with_slips(shares),
        after=case.led_to(_after(closed, number, costs)[:, case.of]),
        bad=_bad(prepared),
        joined=case.led_to(_joined(closed, number, none)[case.of].T).T,
        part_of=prepared.behaviour.part_of.astype(np.int64),
    )


class _Cases:
    """The rows of a problem: each fault set, and one with a loose joint in each manner.

    Attributes:
        of: (rows,) number of the fault set.
        manner: (rows,) number of the manner among those of `SHARES`.
    """

    def __init__(self, loose: NDArray[np.bool_]) -> None:
        """For fault sets of which these have a loose joint."""
        times = np.where(loose, len(SHARES), 1)
        self._first = np.cumsum([0, *times[:-1]])
        self._loose = loose
        self.of: Ints = np.repeat(np.arange(len(loose)), times)
        self.manner: Ints = np.arange(len(self.of)) - self._first[self.of]

    def led_to(self, sets: Ints) -> Ints:
        """(..., rows) the row that each leads to, from the fault set it leads to; -1 stays.

        Joints stand as they did; where the first loose one comes in, it comes and goes.
        """
        manner = np.where(self._loose[sets], self.manner, 0)
        return np.where(sets < 0, -1, self._first[sets] + manner)


def fixing(costs: Costs, faults: Iterable[int]) -> list[int]:
    """The repairs that put any of some faults right."""
    start, repair = costs.tables.fault_start, costs.tables.fault_repair
    return sorted({r for fault in faults for r in repair[start[fault] : start[fault + 1]].tolist()})


def without(costs: Costs, faults: FaultSet, repair: int) -> FaultSet:
    """A fault set after a repair."""
    return tuple(f for f in faults if not costs.repairs.fixes[repair, f])


def _closed(sets: Iterable[FaultSet], costs: Costs) -> list[FaultSet]:
    """The sets, and every set that repairs lead to; `no fault` among them."""
    found = dict.fromkeys(sets)
    left = list(found)
    while left:
        faults = left.pop()
        for fault in faults:
            for repair in fixing(costs, (fault,)):
                after = without(costs, faults, repair)
                if after not in found:
                    found[after] = None
                    left.append(after)
    found.setdefault((), None)
    return list(found)


def _after(closed: list[FaultSet], number: dict[FaultSet, int], costs: Costs) -> Ints:
    after = np.tile(np.arange(len(closed)), (costs.n_repairs, 1))
    for row, faults in enumerate(closed):
        for repair in fixing(costs, faults):
            after[repair, row] = number[without(costs, faults, repair)]
    return after


def _joined(closed: list[FaultSet], number: dict[FaultSet, int], n: int) -> Ints:
    joined = np.full((len(closed), n), -1, dtype=np.int64)
    for row, faults in enumerate(closed):
        for fault in faults:
            fewer = number.get(tuple(f for f in faults if f != fault), -1)
            if fewer >= 0:
                joined[fewer, fault] = row
    return joined


def _bad(prepared: Prepared) -> Floats:
    machine = prepared.machine
    bad = np.zeros((prepared.costs.n_repairs, len(prepared.faults)))
    row = 0
    for part in machine.parts.values():
        for repair in part.repairs:
            new = new_part_modes(machine, part, repair)
            bad[row] = [new.get(fault, 0.0) for fault in prepared.faults]
            row += 1
    return bad
