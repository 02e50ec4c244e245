"""The ways from what is supposed to what is read: which matrices, in which order."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.inference import layout as at

if TYPE_CHECKING:
    from diagnose.inference.plan import Plan

Ints = NDArray[np.int64]

MANY_NEIGHBOURS = 6
"""Separators from which a clique's news goes by way of its rows. A matrix for each pair of them
is quicker to multiply by, but there are as many as the number squared."""


Block = tuple[str, int, int]
"""What it is, whose, and which way the news goes through it."""

UP, DOWN = 0, 1


@dataclass(frozen=True, slots=True, eq=False)
class Routes:
    """Ways from some tables to some others; see `layout` for the records.

    Attributes:
        matrices: int64, shape (matrices, M_FIELDS).
        ptr: int64, where the numbers of each entry begin.
        col: uint32, which entry each number belongs to.
        slot: uint32, which number each row adds to.
        order: int64, numbers of the matrices in an order that suits every source.
        users: int64, places of the sources that go by each matrix of `order`, one after the other.
        users_ptr: int64, where those of each begin.
        source: source table -> its place.
        supposed: shape (sources, 2), where the block of each begins and its entries.
        out: sink table -> where its entries begin in a result.
        sizes: entries of a result, of all blocks of one group; how many blocks.
    """

    matrices: Ints
    ptr: Ints
    col: NDArray[np.uint32]
    slot: NDArray[np.uint32]
    order: Ints
    users: Ints
    users_ptr: Ints
    source: dict[int, int]
    supposed: Ints
    out: dict[int, int]
    sizes: tuple[int, int, int]


@lru_cache(maxsize=8)
def make_routes(plan: Plan, sources: tuple[int, ...], sinks: tuple[int, ...]) -> Routes:
    """Lays out the ways from each source table to all sink tables in its tree."""
    return _Builder(plan, sources, sinks).routes()


class _Builder:
    """Builds the routes of one plan."""

    def __init__(self, plan: Plan, sources: tuple[int, ...], sinks: tuple[int, ...]) -> None:
        self._plan = plan
        self._sources, self._sinks = sources, sinks
        self._parent: list[int] = plan.cliques[:, at.C_PARENT].tolist()
        self._children: list[list[int]] = [[] for _ in self._parent]
        for clique, parent in enumerate(self._parent):
            if parent >= 0:
                self._children[parent].append(clique)
        self._out: dict[int, int] = {}
        self._number_of: dict[tuple[int, Block, Block], int] = {}
        self._records: list[list[int]] = []
        self._ends: list[tuple[Block, Block]] = []
        self._lengths = (0, 0)

    def routes(self) -> Routes:
        """All of it."""
        sizes, read = self._plan.tables[:, at.T_SIZE].tolist(), 0
        for table in self._sinks:
            self._out[table] = read
            read += sizes[table]
        self._find_homes()
        home = self._plan.tables[:, at.T_CLIQUE].tolist()
        steps = [self._from(home[table], table) for table in self._sources]
        order = _in_order(steps, self._ends)
        supposed, whole = self._place(order)
        users: list[list[int]] = [[] for _ in self._records]
        for place, own in enumerate(steps):
            for matrix in own:
                users[matrix].append(place)
        sizes_of_all = (read, whole, self._blocks)
        return self._laid(order, [users[matrix] for matrix in order], supposed, sizes_of_all)

    def _laid(
        self,
        order: list[int],
        users: list[list[int]],
        supposed: list[tuple[int, int]],
        sizes: tuple[int, int, int],
    ) -> Routes:
        """The matrices, with room for as many numbers as they need."""
        # numba takes half a second to import
        from diagnose.inference.spread import lay_kernel  # noqa: PLC0415

        matrices = np.array(self._records, np.int64).reshape(-1, at.M_FIELDS)
        pointers, rows = self._lengths
        ptr = np.zeros(pointers, np.int64)
        col, slot = np.zeros(rows, np.uint32), np.zeros(rows, np.uint32)
        count = lay_kernel()(matrices, self._plan.index, ptr, col, slot)
        return Routes(
            matrices,
            ptr,
            col[:count].copy(),
            slot,
            np.array(order, np.int64),
            np.array([place for own in users for place in own], np.int64),
            np.cumsum([0, *map(len, users)], dtype=np.int64),
            {table: place for place, table in enumerate(self._sources)},
            np.array(supposed, np.int64).reshape(-1, 2),
            self._out,
            sizes,
        )

    def _place(self, order: list[int]) -> tuple[list[tuple[int, int]], int]:
        """Where each source's block lies in the memory of a group and its size; size of it all.

        Blocks that are no more needed make room for others. What is supposed comes first; what is
        read is kept for a moment only, at the end.
        """
        sizes: list[int] = self._plan.tables[:, at.T_SIZE].tolist()
        supposed = list(
            zip(
                np.cumsum([0, *(sizes[table] for table in self._sources)]).tolist(),
                [sizes[table] for table in self._sources],
                strict=False,
            )
        )
        room, read = _Room(sum(size for _, size in supposed)), 0
        begin = {table: own[0] for table, own in zip(self._sources, supposed, strict=True)}
        last = {self._ends[matrix][0]: place for place, matrix in enumerate(order)}
        number: dict[Block, int] = {}
        for place, matrix in enumerate(order):
            (one, other), record = self._ends[matrix], self._records[matrix]
            own = one[0] == "supposed"
            record[at.M_FROM] = begin[one[1]] if own else room.taken[one][0]
            if other[0] == "read":
                record[at.M_TO], record[at.M_BLOCK] = self._out[other[1]], -1
                read = max(read, record[at.M_TO_SIZE])
            else:
                record[at.M_TO] = room.take(other, record[at.M_TO_SIZE])
                record[at.M_BLOCK] = number.setdefault(other, len(number))
            if not own and last[one] == place:
                room.give(one)
        self._blocks = len(number)
        return supposed, room.end + read

    def _find_homes(self) -> None:
        """Which sinks are read from which clique's rows and separator, and how many beyond."""
        plan, count = self._plan, len(self._parent)
        of_separator = {
            int(plan.cliques[clique, at.C_BELIEF]): clique
            for clique in range(count)
            if self._parent[clique] >= 0
        }
        self._in_rows: list[list[int]] = [[] for _ in range(count)]
        self._in_separator: list[list[int]] = [[] for _ in range(count)]
        for table in self._sinks:
            source = int(plan.tables[table, at.T_SOURCE])
            if source in of_separator:
                self._in_separator[of_separator[source]].append(table)
            else:
                self._in_rows[int(plan.tables[table, at.T_CLIQUE])].append(table)
        self._below = [
            len(rows) + len(entries)
            for rows, entries in zip(self._in_rows, self._in_separator, strict=True)
        ]
        for clique in reversed(range(count)):
            if self._parent[clique] >= 0:
                self._below[self._parent[clique]] += self._below[clique]

    def _from(self, clique: int, table: int) -> list[int]:
        """Steps from one table to all sinks in its tree."""
        steps: list[int] = []
        root = int(self._plan.cliques[clique, at.C_ROOT])
        waiting: list[tuple[int, Block, int]] = [(clique, ("supposed", table, 0), -1)]
        while waiting:
            here, came_by, edge = waiting.pop()
            wanted: list[Block] = [("read", sink, 0) for sink in self._in_rows[here]]
            for below in self._children[here]:
                if below != edge and self._below[below]:
                    wanted.append(("separator", below, DOWN))
                    waiting.append((below, ("separator", below, DOWN), -1))
            beyond = self._below[root] - self._below[here] + len(self._in_separator[here])
            if came_by != ("separator", here, DOWN) and self._parent[here] >= 0 and beyond:
                wanted.append(("separator", here, UP))
                waiting.append((self._parent[here], ("separator", here, UP), here))
            if len(self._children[here]) >= MANY_NEIGHBOURS and len(wanted) > 1:
                rows: Block = ("rows", here, 0)
                steps.append(self._matrix(here, came_by, rows))
                came_by = rows
            for block in wanted:
                steps.append(self._matrix(here, came_by, block))
                if block[0] == "separator":
                    steps.extend(
                        self._matrix(-1, block, ("read", sink, 0))
                        for sink in self._in_separator[block[1]]
                    )
        return steps

    def _matrix(self, clique: int, one: Block, other: Block) -> int:
        """The number of a matrix, laid out when it is new; clique -1: over a separator."""
        key = (clique, one, other)
        if key in self._number_of:
            return self._number_of[key]
        self._number_of[key] = len(self._records)
        record = [0] * at.M_FIELDS
        if clique >= 0:
            home = self._plan.cliques[clique]
            record[at.M_ROW], record[at.M_ROWS] = int(home[at.C_ROW]), int(home[at.C_ROWS])
        else:
            home = self._plan.cliques[one[1]]
            record[at.M_ROW], record[at.M_ROWS] = int(home[at.C_BELIEF]), int(home[at.C_SEPARATOR])
        source, target = self._seen_from(clique, one), self._seen_from(clique, other)
        record[at.M_FROM_SIZE], record[at.M_FROM_TARGET], _ = source
        record[at.M_TO_SIZE], record[at.M_TO_TARGET], record[at.M_OLD] = target
        record[at.M_PTR], record[at.M_SLOT] = self._lengths
        self._lengths = (
            self._lengths[0] + target[0] + 1,
            self._lengths[1] + record[at.M_ROWS],
        )
        self._records.append(record)
        self._ends.append((one, other))
        return self._number_of[key]

    def _seen_from(self, clique: int, block: Block) -> tuple[int, int, int]:
        """Size of a block, `index` of its entry of each row of the clique, its old marginal."""
        kind, place, _ = block
        cliques, table = self._plan.cliques, self._plan.tables[place]
        if kind == "rows":
            return int(cliques[place, at.C_ROWS]), -1, int(cliques[place, at.C_ROW])
        if kind == "separator":
            own = cliques[place]
            target = at.C_UP_TARGET if clique == place else at.C_DOWN_TARGET
            seen = -1 if clique < 0 else int(own[target])
            return int(own[at.C_SEPARATOR]), seen, int(own[at.C_BELIEF])
        return int(table[at.T_SIZE]), int(table[at.T_TARGET if clique < 0 else at.T_INTO]), -1


def _in_order(steps: list[list[int]], ends: list[tuple[Block, Block]]) -> list[int]:
    """All matrices, each behind those that make what it starts from, deep before wide."""
    before: list[set[int]] = [set() for _ in ends]
    after: list[set[int]] = [set() for _ in ends]
    for own in steps:
        made_by: dict[Block, int] = {}
        for matrix in own:
            one, other = ends[matrix]
            if one in made_by:
                before[matrix].add(made_by[one])
                after[made_by[one]].add(matrix)
            made_by[other] = matrix
    waits = [len(one) for one in before]
    ready = [matrix for matrix in reversed(range(len(ends))) if not waits[matrix]]
    order = []
    while ready:
        matrix = ready.pop()
        order.append(matrix)
        for later in sorted(after[matrix], key=lambda one: ends[one][1][0] == "read"):
            waits[later] -= 1
            if not waits[later]:
                ready.append(later)
    return order


class _Room:
    """Memory given out in blocks and taken back."""

    def __init__(self, begin: int) -> None:
        self.end = begin
        self.taken: dict[Block, tuple[int, int]] = {}
        self._free: list[tuple[int, int]] = []

    def take(self, block: Block, size: int) -> int:
        """Where a block begins; the same again for one that is there already."""
        if block in self.taken:
            return self.taken[block][0]
        fitting = [gap for gap in self._free if gap[1] >= size]
        if fitting:
            begin, room = min(fitting, key=lambda gap: gap[1])
            self._free.remove((begin, room))
            if room > size:
                self._free.append((begin + size, room - size))
        else:
            begin = self.end
            self.end += size
        self.taken[block] = begin, size
        return begin

    def give(self, block: Block) -> None:
        """The block is not needed any more; gaps beside each other become one."""
        begin, size = self.taken.pop(block)
        gaps = sorted([*self._free, (begin, size)])
        joined = gaps[:1]
        for start, room in gaps[1:]:
            if start == joined[-1][0] + joined[-1][1]:
                joined[-1] = joined[-1][0], joined[-1][1] + room
            else:
                joined.append((start, room))
        self._free = joined
