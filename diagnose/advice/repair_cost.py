"""Expected cost of repairing without further tests.

Repairs are tried in the order of probability over cost, each followed by the functional check,
until the complaint is gone; handing over to the maker's specialist closes the list wherever that
is cheaper than going on (Heckerman, Breese & Rommelse 1995, with the stop chosen):

    ECR = min_k  sum_{i <= k} [c_i (1 - sum_{j < i} p_j) + w_i (1 - sum_{j <= i} p_j)]
                 +  (1 - sum_{j <= k} p_j) escalate

`p_i` is the probability that repair i ends the complaint: that of the modes it fixes which give
this complaint by themselves, scaled so that all of them together do not exceed 1. A mode that
an earlier repair of the list has fixed does not count again, and an area that it has opened stays
open: `c_i` is what the repair costs when its turn comes. `w_i` is what the shop will pay, in
minutes, for not throwing a good part away (0 where no new part goes in).

Sets of areas are bits of a number, in the order of the machine file.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from diagnose.advice.minutes import access_minutes, repair_minutes, to_open
from diagnose.advice.repair_kernels import repair_costs
from diagnose.network.words import NEW_PART

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from diagnose.machine.model import Machine, Repair
    from diagnose.network.ready import ReadyMachine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class RepairTables(NamedTuple):
    """What the kernels read.

    Attributes:
        fault_start, fault_repair: repairs that fix each fault, row by row.
        repair_start, repair_fault: faults that each repair fixes, row by row.
        repair_own: (repairs,) minutes of each with price and check, opening not included.
        repair_way: (repairs,) areas that must be open, as bits.
        repair_waste: (repairs,) minutes that a new part in place of a good one is worth avoiding.
        area_minutes: (areas,) to open, and to close again at the end.
    """

    fault_start: Ints
    fault_repair: Ints
    repair_start: Ints
    repair_fault: Ints
    repair_own: Floats
    repair_way: Ints
    repair_waste: Floats
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
    new_part = np.array([repair.id == NEW_PART for _, repair in repairs], dtype=bool)
    needed = np.bitwise_or.reduce(np.where(table.T, way, 0), axis=1)
    return RepairList(
        repairs=tuple((part.id, repair) for part, repair in repairs),
        fixes=table,
        new_part=new_part,
        fault_way=(needed[:, None] >> np.arange(len(area_bits)) & 1).astype(np.float64),
        area_bits=area_bits,
        tables=make_tables(
            table,
            np.array([repair_minutes(machine, repair) for _, repair in repairs], dtype=np.float64),
            way,
            np.where(new_part, machine.shop.good_part_minutes, 0.0),
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
    able = can_give(ready, complaint) > 0.0
    return make_tables(
        found.fixes[:, able],
        tables.repair_own,
        tables.repair_way,
        tables.repair_waste,
        tables.area_minutes,
    )


def make_tables(
    fixes: NDArray[np.int8], minutes: Floats, way: Ints, waste: Floats, area_minutes: Floats
) -> RepairTables:
    """Tables for the kernels.

    Args:
        fixes: (repairs, faults) 1 where the repair fixes the fault.
        minutes: (repairs,) of each with price and check, opening not included.
        way: (repairs,) areas that must be open, as bits.
        waste: (repairs,) minutes that sparing a good part is worth.
        area_minutes: (areas,) to open, and to close again at the end.
    """
    fault_start, fault_repair = sparse_rows(fixes.T)
    repair_start, repair_fault = sparse_rows(fixes)
    return RepairTables(
        fault_start, fault_repair, repair_start, repair_fault, minutes, way, waste, area_minutes
    )


def sparse_rows(table: NDArray[np.int8]) -> tuple[Ints, Ints]:
    """(rows + 1,) starts and the columns that are not zero, row by row."""
    counts = np.count_nonzero(table, axis=1)
    start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return start, np.nonzero(table)[1].astype(np.int64)


@lru_cache(maxsize=64)
def can_give(ready: ReadyMachine, complaint: str) -> Floats:
    """(faults,) 1 where a fault alone gives the complaint, now and then at least; else 0."""
    found: Floats = (ready.explains[complaint] > 0.0).astype(np.float64)
    found.setflags(write=False)
    return found


def guilt(ready: ReadyMachine, complaint: str, probabilities: Floats) -> Floats:
    """(..., faults) probability that each fault is what gives the complaint.

    The complaint has been seen, so a fault that gives it now and then and is there is to blame as
    much as one that gives it always: how often it does has weighed in the posterior already.

    Args:
        ready: the machine.
        complaint: its complaint.
        probabilities: (..., faults) posterior of each fault.
    """
    blamed = probabilities * can_give(ready, complaint)
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
