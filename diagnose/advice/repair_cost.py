"""Expected cost of repairing without further tests.

Repairs are tried in the order of probability over cost, each followed by the functional check,
until the complaint is gone; handing over to the maker's specialist closes the list wherever that
is cheaper than going on (Heckerman, Breese & Rommelse 1995, with the stop chosen):

    ECR = min_k  sum_{i <= k} c_i (1 - sum_{j < i} p_j)  +  (1 - sum_{j <= k} p_j) escalate

`p_i` is the probability that repair i ends the complaint: that of the modes it fixes which give
this complaint by themselves, scaled so that all of them together do not exceed 1. A mode that
an earlier repair of the list has fixed does not count again.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

from diagnose.advice.minutes import repair_minutes

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Repair
    from diagnose.network.ready import ReadyMachine


@dataclass(frozen=True, slots=True, eq=False)
class RepairList:
    """All repairs of a machine against its faults.

    Attributes:
        repairs: (part, repair) of each row.
        fixes: (repairs, faults) 1 where the repair fixes the fault.
    """

    repairs: tuple[tuple[str, Repair], ...]
    fixes: NDArray[np.int8]

    def minutes(self, machine: Machine, open_areas: Collection[str]) -> NDArray[np.float64]:
        """(repairs,) cost of each in minutes, the part's price and the check included."""
        return np.array(
            [repair_minutes(machine, part, repair, open_areas) for part, repair in self.repairs]
        )


def list_repairs(machine: Machine, faults: Sequence[tuple[str, str]]) -> RepairList:
    """Every repair of every part, and the faults each one fixes."""
    repairs = [(part.id, repair) for part in machine.parts.values() for repair in part.repairs]
    fixes = [
        [part == fault_part and mode in repair.fixes for fault_part, mode in faults]
        for part, repair in repairs
    ]
    table = np.array(fixes, dtype=np.int8).reshape(len(repairs), len(faults))
    return RepairList(tuple(repairs), table)


def guilt(
    ready: ReadyMachine, complaint: str, probabilities: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(..., faults) probability that each fault is what gives the complaint.

    Args:
        ready: the machine.
        complaint: its complaint.
        probabilities: (..., faults) posterior of each fault.
    """
    blamed = probabilities * ready.explains[complaint]
    total = np.maximum(blamed.sum(axis=-1, keepdims=True), 1.0)
    found: NDArray[np.float64] = blamed / total
    return found


@njit(cache=True, nogil=True)
def expected_minutes(guilty, fixes, minutes, escalate_minutes, costs, first):
    """Expected cost of repair for many cases.

    Args:
        guilty: (cases, faults) from `guilt`.
        fixes: (repairs, faults) of a `RepairList`.
        minutes: (cases, repairs) what each repair costs.
        escalate_minutes: cost of handing over.
        costs: (cases,) result, minutes.
        first: (cases,) result, the repair to begin with; -1 to hand over at once.
    """
    n_repairs, n_faults = fixes.shape
    chance = np.zeros(n_repairs)
    used = np.zeros(n_repairs, np.uint8)
    left = np.zeros(n_faults)
    for case in range(guilty.shape[0]):
        left[:] = guilty[case]
        used[:] = 0
        for r in range(n_repairs):
            chance[r] = 0.0
            for f in range(n_faults):
                if fixes[r, f]:
                    chance[r] += left[f]
        remaining, spent = 1.0, 0.0
        best, begin, opening = escalate_minutes, -1, -1
        for _ in range(n_repairs):
            pick, ratio = -1, 1e-9
            for r in range(n_repairs):
                if not used[r] and chance[r] / minutes[case, r] > ratio:
                    pick, ratio = r, chance[r] / minutes[case, r]
            if pick < 0:
                break
            used[pick] = 1
            opening = pick if opening < 0 else opening
            spent += minutes[case, pick] * remaining
            remaining -= chance[pick]
            for f in range(n_faults):
                if fixes[pick, f] and left[f] > 0.0:
                    for r in range(n_repairs):
                        if fixes[r, f]:
                            chance[r] -= left[f]
                    left[f] = 0.0
            total = spent + max(remaining, 0.0) * escalate_minutes
            if total < best:
                best, begin = total, opening
            if spent >= best:
                break
        costs[case] = best
        first[case] = begin
