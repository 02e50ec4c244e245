"""Expected cost of repairing without further tests.

Repairs are tried in the order of probability over cost, each followed by the functional check,
until the complaint is gone; handing over to the maker's specialist closes the list wherever that
is cheaper than going on (Heckerman, Breese & Rommelse 1995, with the stop chosen):

    ECR = min_k  sum_{i <= k} c_i (1 - sum_{j < i} p_j)  +  (1 - sum_{j <= k} p_j) escalate

`p_i` is the probability that repair i ends the complaint: that of the modes it fixes which give
this complaint by themselves, scaled so that all of them together do not exceed 1. A mode that
an earlier repair of the list has fixed does not count again, and an area that it has opened stays
open: `c_i` is what the repair costs when its turn comes.

Sets of areas are bits of a number, in the order of the machine file.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from diagnose.advice.minutes import access_minutes, repair_minutes, to_open
from diagnose.network.words import NEW_PART

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from diagnose.machine.model import Machine, Repair
    from diagnose.network.ready import ReadyMachine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

TINY = 1e-9
"""A chance per minute, or a saving in minutes, no larger than this is rounding."""


class RepairTables(NamedTuple):
    """What the kernels read.

    Attributes:
        fault_start, fault_repair: repairs that fix each fault, row by row.
        repair_start, repair_fault: faults that each repair fixes, row by row.
        repair_own: (repairs,) minutes of each with price and check, opening not included.
        repair_way: (repairs,) areas that must be open, as bits.
        area_minutes: (areas,) to open, and to close again at the end.
    """

    fault_start: Ints
    fault_repair: Ints
    repair_start: Ints
    repair_fault: Ints
    repair_own: Floats
    repair_way: Ints
    area_minutes: Floats


@dataclass(frozen=True, slots=True, eq=False)
class RepairList:
    """All repairs of a machine against its faults.

    Attributes:
        repairs: (part, repair) of each row.
        fixes: (repairs, faults) 1 where the repair fixes the fault.
        new_part: (repairs,) whether a new part goes in.
        fault_way: (faults, areas) 1 where repairing the fault takes that area open.
        area_bits: area -> its bit.
        tables: the same for the kernels.
    """

    repairs: tuple[tuple[str, Repair], ...]
    fixes: NDArray[np.int8]
    new_part: NDArray[np.bool_]
    fault_way: Floats
    area_bits: dict[str, int]
    tables: RepairTables

    def bits(self, areas: Collection[str]) -> int:
        """A set of areas as bits."""
        return sum(self.area_bits[area] for area in areas)

    def minutes(self, open_areas: Collection[str]) -> Floats:
        """(repairs,) what each costs, opening, the part's price and the check included."""
        closed = self.tables.repair_way & ~self.bits(open_areas)
        to_open = closed[:, None] >> np.arange(len(self.area_bits)) & 1
        found: Floats = self.tables.repair_own + to_open @ self.tables.area_minutes
        return found


def list_repairs(machine: Machine, faults: Sequence[tuple[str, str]]) -> RepairList:
    """Every repair of every part, and the faults each one fixes."""
    repairs = [(part, repair) for part in machine.parts.values() for repair in part.repairs]
    fixes = [
        [part.id == fault_part and mode in repair.fixes for fault_part, mode in faults]
        for part, repair in repairs
    ]
    table = np.array(fixes, dtype=np.int8).reshape(len(repairs), len(faults))
    area_bits = {area: 1 << place for place, area in enumerate(machine.areas)}
    ways = [sum(area_bits[a] for a in to_open(machine, part.area, ())) for part, _ in repairs]
    way = np.array(ways, dtype=np.int64)
    needed = np.bitwise_or.reduce(np.where(table.T, way, 0), axis=1)
    return RepairList(
        repairs=tuple((part.id, repair) for part, repair in repairs),
        fixes=table,
        new_part=np.array([repair.id == NEW_PART for _, repair in repairs], dtype=bool),
        fault_way=(needed[:, None] >> np.arange(len(area_bits)) & 1).astype(np.float64),
        area_bits=area_bits,
        tables=make_tables(
            table,
            np.array([repair_minutes(machine, repair) for _, repair in repairs], dtype=np.float64),
            way,
            np.array([access_minutes(area) for area in machine.areas.values()], dtype=np.float64),
        ),
    )


@lru_cache(maxsize=16)
def repairs_of(ready: ReadyMachine) -> RepairList:
    """The repairs of a machine made ready, listed once."""
    return list_repairs(ready.machine, ready.faults)


@lru_cache(maxsize=64)
def repairs_against(ready: ReadyMachine, complaint: str) -> RepairTables:
    """Tables against those faults only that can give a complaint, in their order."""
    found = repairs_of(ready)
    tables = found.tables
    able = ready.explains[complaint] > 0.0
    return make_tables(
        found.fixes[:, able], tables.repair_own, tables.repair_way, tables.area_minutes
    )


def make_tables(
    fixes: NDArray[np.int8], minutes: Floats, way: Ints, area_minutes: Floats
) -> RepairTables:
    """Tables for the kernels.

    Args:
        fixes: (repairs, faults) 1 where the repair fixes the fault.
        minutes: (repairs,) of each with price and check, opening not included.
        way: (repairs,) areas that must be open, as bits.
        area_minutes: (areas,) to open, and to close again at the end.
    """
    fault_start, fault_repair = _sparse_rows(fixes.T)
    repair_start, repair_fault = _sparse_rows(fixes)
    return RepairTables(
        fault_start, fault_repair, repair_start, repair_fault, minutes, way, area_minutes
    )


def _sparse_rows(table: NDArray[np.int8]) -> tuple[Ints, Ints]:
    """(rows + 1,) starts and the columns that are not zero, row by row."""
    counts = np.count_nonzero(table, axis=1)
    start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return start, np.nonzero(table)[1].astype(np.int64)


def guilt(ready: ReadyMachine, complaint: str, probabilities: Floats) -> Floats:
    """(..., faults) probability that each fault is what gives the complaint.

    Args:
        ready: the machine.
        complaint: its complaint.
        probabilities: (..., faults) posterior of each fault.
    """
    blamed = probabilities * ready.explains[complaint]
    total = np.maximum(blamed.sum(axis=-1, keepdims=True), 1.0)
    found: Floats = blamed / total
    return found


def minutes_of_repair(
    tables: RepairTables, guilty: Floats, open_areas: Ints, escalate_minutes: float
) -> tuple[Floats, Ints]:
    """Expected cost of repair for many cases.

    Args:
        tables: the repairs.
        guilty: (cases, faults) from `guilt`.
        open_areas: (cases,) areas that stand open, as bits.
        escalate_minutes: cost of handing over.

    Returns:
        (cases,) minutes, and (cases,) the repair to begin with; -1 to hand over at once.
    """
    costs, first = np.empty(len(guilty)), np.empty(len(guilty), np.int64)
    repair_costs(
        tables, np.ascontiguousarray(guilty), open_areas, float(escalate_minutes), costs, first
    )
    return costs, first


def expected_minutes(
    guilty: Floats,
    fixes: NDArray[np.int8],
    minutes: Floats,
    escalate_minutes: float,
    costs: Floats,
    first: Ints,
) -> None:
    """The same with nothing to open, each case with minutes of its own.

    Args:
        guilty: (cases, faults) from `guilt`.
        fixes: (repairs, faults) 1 where the repair fixes the fault.
        minutes: (cases, repairs) what each repair costs.
        escalate_minutes: cost of handing over.
        costs: (cases,) result, minutes.
        first: (cases,) result, the repair to begin with; -1 to hand over at once.
    """
    way, nothing = np.zeros(len(fixes), np.int64), np.zeros(1, np.int64)
    for case, own in enumerate(minutes):
        tables = make_tables(fixes, np.array(own, dtype=np.float64), way, np.zeros(0))
        costs[case : case + 1], first[case : case + 1] = minutes_of_repair(
            tables, guilty[case : case + 1], nothing, escalate_minutes
        )


@njit(cache=True, nogil=True)
def opening_of(way, open_areas, area_minutes):
    """Minutes to open what is not open yet of some areas, given as bits."""
    found, left, area = 0.0, way & ~open_areas, 0
    while left:
        if left & 1:
            found += area_minutes[area]
        left >>= 1
        area += 1
    return found


@njit(cache=True, nogil=True)
def list_chances(tables, guilty, chance, listed):
    """Fill in the chance of every repair and list those that have one; how many there are."""
    count = 0
    for f in range(guilty.shape[0]):
        if guilty[f] > 0.0:
            for i in range(tables.fault_start[f], tables.fault_start[f + 1]):
                r = tables.fault_repair[i]
                if chance[r] == 0.0:
                    listed[count] = r
                    count += 1
                chance[r] += guilty[f]
    return count


@njit(cache=True, nogil=True)
def set_minutes(tables, listed, open_areas, minutes):
    """Fill in what the listed repairs cost with these areas open."""
    for r in listed:
        way = tables.repair_way[r]
        minutes[r] = tables.repair_own[r] + opening_of(way, open_areas, tables.area_minutes)


@njit(cache=True, nogil=True)
def best_ratio(listed, chance, minutes):
    """The listed repair with the highest chance per minute, the first of equals; -1 for none."""
    pick, ratio = -1, TINY
    for r in listed:
        value = chance[r] / minutes[r]
        if value > ratio or (value == ratio and r < pick):
            pick, ratio = r, value
    return pick


@njit(cache=True, nogil=True)
def strike_out(tables, repair, guilty, chance):
    """Take what a repair fixes out of the chances of all repairs."""
    for i in range(tables.repair_start[repair], tables.repair_start[repair + 1]):
        f = tables.repair_fault[i]
        if guilty[f] > 0.0:
            for j in range(tables.fault_start[f], tables.fault_start[f + 1]):
                chance[tables.fault_repair[j]] -= guilty[f]
            guilty[f] = 0.0
    chance[repair] = 0.0


@njit(cache=True, nogil=True)
def repair_cost(tables, guilty, total, open_areas, escalate_minutes):
    """Expected minutes of repairing without further tests, and the repair to begin with.

    Args:
        tables: `RepairTables`, or any named tuple with these fields.
        guilty: (faults,) chance that each gives the complaint, not normalised; used up.
        total: probability of what they are joint with.
        open_areas: areas that stand open, as bits.
        escalate_minutes: handing over.

    Returns:
        Minutes, and a repair or -1 to hand over at once.
    """
    n_repairs = tables.repair_own.shape[0]
    chance, minutes = np.zeros(n_repairs), np.zeros(n_repairs)
    whole = max(guilty.sum(), total)
    if whole > 0.0:
        guilty /= whole
    room = np.empty(n_repairs, np.int32)
    listed = room[: list_chances(tables, guilty, chance, room)]
    set_minutes(tables, listed, open_areas, minutes)
    remaining, spent = 1.0, 0.0
    best, begin, first = escalate_minutes, -1, -1
    for _ in range(listed.shape[0]):
        pick = best_ratio(listed, chance, minutes)
        if pick < 0:
            break
        first = pick if first < 0 else first
        spent += minutes[pick] * remaining
        remaining -= chance[pick]
        strike_out(tables, pick, guilty, chance)
        handed_over = spent + max(remaining, 0.0) * escalate_minutes
        if handed_over < best:
            best, begin = handed_over, first
        if spent >= best:
            break
        if tables.repair_way[pick] & ~open_areas:
            open_areas |= tables.repair_way[pick]
            set_minutes(tables, listed, open_areas, minutes)
    return best, begin


@njit(cache=True, nogil=True)
def repair_costs(tables, guilty, open_areas, escalate_minutes, costs, first):
    """The same for many cases, each with a total of 1; see `minutes_of_repair`."""
    for case in range(guilty.shape[0]):
        costs[case], first[case] = repair_cost(
            tables, guilty[case].copy(), 1.0, open_areas[case], escalate_minutes
        )
