"""What every action costs, as flat arrays: tests, repairs, the areas that have to be opened.

Repairs are tried in the order of probability over cost, each followed by the functional check,
until the complaint is gone; handing over to the maker's specialist closes the list wherever that
is cheaper than going on (Heckerman, Breese & Rommelse 1995, with the stop chosen):

    ECR = min_k  sum_{i <= k} [c_i (1 - sum_{j < i} p_j) + w_i (1 - sum_{j <= i} p_j)]
                 +  (1 - sum_{j <= k} p_j) minutes of handing over  +  sum_{f left} p_f m_f

`p_i` is the probability that repair i gets the machine to run: that of the modes it fixes which
keep it from running by themselves, scaled so that all of them together do not exceed 1. A mode that
an earlier repair of the list has fixed does not count again, and an area that it has opened stays
open: `c_i` is what the repair costs when its turn comes. `w_i` is what the shop will pay, in
minutes, for not throwing a good part away (0 where no new part goes in, and for a fuse). The
specialist pays the same parts and needs the same labour: `m_f` is the cheapest repair of a fault
that is left, everything opened for it. What no repair fixes costs the handing over only.

Sets of areas are bits of a number, in the order of the machine file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence


Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_KEPT = 1024
"""Costs are kept for so many sets of open areas; a machine seldom has more."""

HAND_OVER = "escalate"
"""Name of the action that hands the job over."""


def parted(action: str, target: str) -> dict[str, str | None]:
    """`test`, `part` and `repair` of an action's target, None where it has none."""
    test = target if action in ("test", "recheck") else None
    part, _, repair = target.partition(".") if action == "repair" else ("", "", "")
    return {"test": test, "part": part or None, "repair": repair or None}


class RepairTables(NamedTuple):
    """What the kernels read.

    Attributes:
        fault_start, fault_repair: repairs that fix each fault, row by row.
        repair_start, repair_fault: faults that each repair fixes, row by row.
        repair_own: (repairs,) minutes of each with price and check, opening not included.
        repair_way: (repairs,) areas that must be open, as bits.
        repair_waste: (repairs,) minutes that a new part in place of a good one is worth avoiding.
        area_minutes: (areas,) to open, and to close again at the end.
        fault_minutes: (faults,) what the specialist needs for each on top of handing over; 0 where
            no repair is known.
    """

    fault_start: Ints
    fault_repair: Ints
    repair_start: Ints
    repair_fault: Ints
    repair_own: Floats
    repair_way: Ints
    repair_waste: Floats
    area_minutes: Floats
    fault_minutes: Floats


@dataclass(frozen=True, slots=True, eq=False)
class TestCosts:
    """The tests.

    Attributes:
        names: id of each.
        minutes: (tests,) own minutes, opening not included.
        area: (tests,) area, -1 where nothing needs opening.
        needs: for each, the tests that must have been done before, as bits.
        again: (tests,) whether it may be done again after a repair.
        cannot: (tests,) number of the outcome that it cannot be done, -1 where it always can.
        trying: those that try the machine, as bits; the check after a repair does the same.
        moving: (tests,) whether each moves what may be loose; None: all do.
    """

    names: tuple[str, ...]
    minutes: Floats
    area: Ints
    needs: tuple[int, ...]
    again: NDArray[np.bool_]
    cannot: Ints | None = None
    trying: int = 0
    moving: NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True, eq=False)
class RepairCosts:
    """The repairs.

    Attributes:
        names: `part.repair` of each.
        minutes: (repairs,) labour and the part's price in minutes; opening and check not included.
        area: (repairs,) area, -1 where nothing needs opening.
        fixes: (repairs, faults) 1 where the repair fixes the fault.
        new_part: (repairs,) whether a new part goes in that would be a waste in place of a good
            one; a fuse is none.
        licensed: (repairs,) whether only a licensed hand may do it, so that it is handed over.
        renews: (repairs, faults) 1 where the fault is one of what a new part goes in for; None:
            what the repair fixes.
        fits_new: (repairs,) whether a new part or length of wire goes in; None: only new parts do.
        after: (repairs,) number of the repair that is done before each, -1 for none; None: none is.
        unless: (repairs, faults) 1 where the fault makes that needless once it is proven.
    """

    names: tuple[str, ...]
    minutes: Floats
    area: Ints
    fixes: NDArray[np.int8]
    new_part: NDArray[np.bool_]
    licensed: NDArray[np.bool_] | None = None
    renews: NDArray[np.int8] | None = None
    fits_new: NDArray[np.bool_] | None = None
    after: Ints | None = None
    unless: NDArray[np.int8] | None = None

    @property
    def uses_up(self) -> NDArray[np.bool_]:
        """(repairs,) whether a good part is spoilt by it: thrown away, or cut."""
        return self.new_part if self.fits_new is None else self.fits_new

    def wastes(self, repair: int, faults: Sequence[int]) -> bool:
        """Whether a repair throws a good part away; a fuse is none."""
        own = self.fixes if self.renews is None else self.renews
        return bool(self.new_part[repair]) and not own[repair, list(faults)].any()


@dataclass(frozen=True, slots=True, eq=False)
class Access:
    """Costs with certain areas open.

    Attributes:
        test_minutes: (tests,) opening included.
        repair_minutes: (repairs,) opening and check included.
        test_opens: (tests,) areas open after each test.
        repair_opens: (repairs,) areas open after each repair.
        test_opening: (tests, areas) minutes to open each area for each test.
    """

    test_minutes: Floats
    repair_minutes: Floats
    test_opens: Ints
    repair_opens: Ints
    test_opening: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Costs:
    """All that deciding needs of a machine beside its faults.

    Actions are numbers: tests first, then repairs, then handing over.

    Attributes:
        tests, repairs: what can be done.
        area_names: ids of the areas.
        ways: (areas + 1,) areas to open on the way into each, itself included, as bits; the last
            one stands for no area, so that -1 finds it.
        check_minutes: the functional check after a repair.
        hand_over_minutes: handing over.
        fault_way: (faults, areas) 1 where repairing the fault takes that area open.
        tables: the repairs for the kernels.
    """

    tests: TestCosts
    repairs: RepairCosts
    area_names: tuple[str, ...]
    ways: Ints
    check_minutes: float
    hand_over_minutes: float
    fault_way: Floats
    tables: RepairTables
    _access: dict[int, Access] = field(default_factory=dict)

    @property
    def n_tests(self) -> int:
        """Number of tests."""
        return len(self.tests.names)

    @property
    def n_repairs(self) -> int:
        """Number of repairs."""
        return len(self.repairs.names)

    @property
    def hand_over(self) -> int:
        """The action that hands over."""
        return self.n_tests + self.n_repairs

    def action_name(self, action: int) -> str:
        """Test id, `part.repair`, or `HAND_OVER`."""
        return (*self.tests.names, *self.repairs.names, HAND_OVER)[action]

    def area_bits(self, areas: Collection[str]) -> int:
        """A set of areas as bits."""
        return sum(1 << self.area_names.index(area) for area in set(areas))

    def repair_bits(self, repairs: Iterable[str]) -> int:
        """Repairs by `part.repair` as bits; the belief names those that there are not."""
        done = set(repairs)
        return sum(1 << place for place, name in enumerate(self.repairs.names) if name in done)

    def at(self, open_areas: int) -> Access:
        """Costs with these areas open; worked out once for each set of areas that comes up."""
        known = self._access.get(open_areas)
        if known is None:
            if len(self._access) >= MOST_KEPT:
                self._access.clear()
            known = self._access[open_areas] = self._with_open(open_areas)
        return known

    def _with_open(self, open_areas: int) -> Access:
        places = np.arange(len(self.area_names))
        closed = (self.ways & ~open_areas)[:, None] >> places & 1
        by_area = closed * self.tables.area_minutes
        opening = by_area.sum(axis=1)
        tests, repairs = self.tests, self.repairs
        return Access(
            test_minutes=tests.minutes + opening[tests.area],
            repair_minutes=repairs.minutes + self.check_minutes + opening[repairs.area],
            test_opens=(self.ways | open_areas)[tests.area],
            repair_opens=(self.ways | open_areas)[repairs.area],
            test_opening=by_area[tests.area],
        )


def make_costs(  # noqa: PLR0913 - each is another thing that costs
    tests: TestCosts,
    repairs: RepairCosts,
    area_names: tuple[str, ...],
    area_minutes: Floats,
    area_parent: Sequence[int],
    *,
    check_minutes: float,
    hand_over_minutes: float,
    good_part_minutes: float = 0.0,
) -> Costs:
    """Costs from plain figures.

    Args:
        tests: the tests.
        repairs: the repairs.
        area_names: ids of the areas.
        area_minutes: (areas,) to open each, and to close it again at the end.
        area_parent: (areas,) area that each lies in, -1 for none.
        check_minutes: after every repair.
        hand_over_minutes: handing over.
        good_part_minutes: what sparing a good part is worth.
    """
    ways = _ways(area_parent)
    way = ways[repairs.area]
    needed = np.bitwise_or.reduce(np.where(repairs.fixes.T, way, 0), axis=1)
    own = repairs.minutes + check_minutes
    closed = (ways[:, None] >> np.arange(len(area_names)) & 1) @ np.asarray(area_minutes)
    each = np.where(repairs.fixes.T, own + closed[repairs.area], np.inf)
    least = each.min(axis=1, initial=np.inf)
    here = repairs.fixes
    if repairs.licensed is not None:
        here = here * ~repairs.licensed[:, None]
    fault_start, fault_repair = _sparse_rows(here.T)
    repair_start, repair_fault = _sparse_rows(here)
    return Costs(
        tests=tests,
        repairs=repairs,
        area_names=area_names,
        ways=ways,
        check_minutes=check_minutes,
        hand_over_minutes=hand_over_minutes,
        fault_way=(needed[:, None] >> np.arange(len(area_names)) & 1).astype(np.float64),
        tables=RepairTables(
            fault_start=fault_start,
            fault_repair=fault_repair,
            repair_start=repair_start,
            repair_fault=repair_fault,
            repair_own=own,
            repair_way=way,
            repair_waste=np.where(repairs.new_part, good_part_minutes, 0.0),
            area_minutes=np.asarray(area_minutes, dtype=np.float64),
            fault_minutes=np.where(np.isfinite(least), least, 0.0),
        ),
    )


def _ways(area_parent: Sequence[int]) -> Ints:
    ways = np.zeros(len(area_parent) + 1, dtype=np.int64)
    for area in range(len(area_parent)):
        inside = area
        while inside >= 0:
            ways[area] |= 1 << inside
            inside = int(area_parent[inside])
    return ways


def _sparse_rows(table: NDArray[np.int8]) -> tuple[Ints, Ints]:
    """(rows + 1,) starts and the columns that are not zero, row by row."""
    counts = np.count_nonzero(table, axis=1)
    start = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    return start, np.nonzero(table)[1].astype(np.int64)
