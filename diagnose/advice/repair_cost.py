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

from diagnose.advice.minutes import opening_minutes, repair_minutes, to_open

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
        alone: (repairs,) minutes of each with everything open.
    """

    repairs: tuple[tuple[str, Repair], ...]
    fixes: NDArray[np.int8]
    alone: NDArray[np.float64]

    def minutes(self, machine: Machine, open_areas: Collection[str]) -> NDArray[np.float64]:
        """(repairs,) cost of each in minutes, the part's price and the check included."""
        access = {
            area: opening_minutes(machine, to_open(machine, area, open_areas))
            for area in (None, *machine.areas)
        }
        areas = [machine.parts[part].area for part, _ in self.repairs]
        found: NDArray[np.float64] = self.alone + np.array([access[area] for area in areas])
        return found


def list_repairs(machine: Machine, faults: Sequence[tuple[str, str]]) -> RepairList:
    """Every repair of every part, and the faults each one fixes."""
    repairs = [(part.id, repair) for part in machine.parts.values() for repair in part.repairs]
    fixes = [
        [part == fault_part and mode in repair.fixes for fault_part, mode in faults]
        for part, repair in repairs
    ]
    table = np.array(fixes, dtype=np.int8).reshape(len(repairs), len(faults))
    alone = np.array([repair_minutes(machine, repair) for _, repair in repairs])
    return RepairList(tuple(repairs), table, alone)


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
    chance, left = np.zeros(n_repairs), np.zeros(n_faults)
    used = np.zeros(n_repairs, np.uint8)
    for case in range(guilty.shape[0]):
        left[:] = guilty[case]
        used[:] = 0
        _add_up(fixes, left, chance)
        remaining, spent = 1.0, 0.0
        opening = -1
        costs[case], first[case] = escalate_minutes, -1
        for _ in range(n_repairs):
            pick = _best_ratio(chance, minutes[case], used)
            if pick < 0 or spent >= costs[case]:
                break
            used[pick] = 1
            opening = pick if opening < 0 else opening
            spent += minutes[case, pick] * remaining
            remaining -= chance[pick]
            _forget(fixes, pick, left, chance)
            total = spent + max(remaining, 0.0) * escalate_minutes
            if total < costs[case]:
                costs[case], first[case] = total, opening


@njit(cache=True, nogil=True)
def _add_up(fixes, left, chance):
    """Chance of each repair: that of all it fixes. A matrix product would pull in BLAS."""
    chance[:] = 0.0
    for r in range(fixes.shape[0]):
        for f in range(fixes.shape[1]):
            if fixes[r, f]:
                chance[r] += left[f]


@njit(cache=True, nogil=True)
def _best_ratio(chance, minutes, used):
    """The unused repair with the highest probability per minute; -1 when none helps."""
    pick, ratio = -1, 1e-9
    for r in range(chance.shape[0]):
        if not used[r] and chance[r] / minutes[r] > ratio:
            pick, ratio = r, chance[r] / minutes[r]
    return pick


@njit(cache=True, nogil=True)
def _forget(fixes, repair, left, chance):
    """Take what a repair fixes out of the chances of the others."""
    for f in range(left.shape[0]):
        if fixes[repair, f] and left[f] > 0.0:
            for r in range(chance.shape[0]):
                if fixes[r, f]:
                    chance[r] -= left[f]
            left[f] = 0.0
