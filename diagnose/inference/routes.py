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


@dataclass(frozen=True, slots=True, eq=False)
class Routes:
    """Ways from some tables to some others; see `layout` for the records.

    Attributes:
        matrices: int64, shape (matrices, M_FIELDS).
        ptr: int64, where the numbers of each entry begin.
        col: uint32, which entry each number belongs to.
        slot: uint32, which number each row adds to.
        steps: int64, numbers of matrices in the order they are used, for each source in turn.
        begin: source table -> where its steps begin and end.
        out: sink table -> where its entries begin in a result.
        sizes: entries of a result, of all blocks; the block of the source comes last.
    """

    matrices: Ints
    ptr: Ints
    col: NDArray[np.uint32]
    slot: NDArray[np.uint32]
    steps: Ints
    begin: dict[int, tuple[int, int]]
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
        self._place_of: dict[tuple[str, int], int] = {}
        self._size = 0
        self._number_of: dict[tuple[int, tuple[str, int], tuple[str, int]], int] = {}
        self._records: list[list[int]] = []
        self._lengths = (0, 0)

    def routes(self) -> Routes:
        """All of it."""
        tables, sizes = self._plan.tables, self._plan.tables[:, at.T_SIZE].tolist()
        for table in self._sinks:
            self._block(("read", table), sizes[table])
        read = self._size
        self._find_homes()
        steps: list[int] = []
        begin: dict[int, tuple[int, int]] = {}
        for table in self._sources:
            first = len(steps)
            steps.extend(self._from(int(tables[table, at.T_CLIQUE]), table))
            begin[table] = (first, len(steps))
        return self._laid(steps, begin, read)

    def _laid(self, steps: list[int], begin: dict[int, tuple[int, int]], read: int) -> Routes:
        """The matrices, with room for as many numbers as they need."""
        # numba takes half a second to import
        from diagnose.inference.spread import lay_kernel  # noqa: PLC0415

        matrices = np.array(self._records, np.int64).reshape(-1, at.M_FIELDS)
        matrices[matrices[:, at.M_FROM] < 0, at.M_FROM] = self._size
        supposed = max((int(self._plan.tables[t, at.T_SIZE]) for t in self._sources), default=0)
        pointers, rows = self._lengths
        ptr = np.zeros(pointers, np.int64)
        col, slot = np.zeros(rows, np.uint32), np.zeros(rows, np.uint32)
        count = lay_kernel()(matrices, self._plan.index, ptr, col, slot)
        return Routes(
            matrices,
            ptr,
            col[:count].copy(),
            slot,
            np.array(steps, np.int64),
            begin,
            {table: self._place_of["read", table] for table in self._sinks},
            (read, self._size, self._size + supposed),
        )

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
        waiting = [(clique, ("supposed", table), -1)]
        while waiting:
            here, came_by, edge = waiting.pop()
            wanted = [("read", sink) for sink in self._in_rows[here]]
            for below in self._children[here]:
                if below != edge and self._below[below]:
                    wanted.append(("separator", below))
                    waiting.append((below, ("separator", below), -1))
            beyond = self._below[root] - self._below[here] + len(self._in_separator[here])
            if came_by != ("separator", here) and self._parent[here] >= 0 and beyond:
                wanted.append(("separator", here))
                waiting.append((self._parent[here], ("separator", here), here))
            if len(self._children[here]) >= MANY_NEIGHBOURS and len(wanted) > 1:
                steps.append(self._matrix(here, came_by, ("rows", here)))
                came_by = ("rows", here)
            for block in wanted:
                steps.append(self._matrix(here, came_by, block))
                if block[0] == "separator":
                    steps.extend(
                        self._matrix(-1, block, ("read", sink))
                        for sink in self._in_separator[block[1]]
                    )
        return steps

    def _block(self, block: tuple[str, int], size: int) -> int:
        """Where a block begins."""
        if block not in self._place_of:
            self._place_of[block] = self._size
            self._size += size
        return self._place_of[block]

    def _matrix(self, clique: int, one: tuple[str, int], other: tuple[str, int]) -> int:
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
        record[at.M_FROM] = -1 if one[0] == "supposed" else self._block(one, source[0])
        record[at.M_TO] = self._block(other, target[0])
        record[at.M_PTR], record[at.M_SLOT] = self._lengths
        self._lengths = (
            self._lengths[0] + target[0] + 1,
            self._lengths[1] + record[at.M_ROWS],
        )
        self._records.append(record)
        return self._number_of[key]

    def _seen_from(self, clique: int, block: tuple[str, int]) -> tuple[int, int, int]:
        """Size of a block, `index` of its entry of each row of the clique, its old marginal."""
        kind, place = block
        cliques, table = self._plan.cliques, self._plan.tables[place]
        if kind == "rows":
            return int(cliques[place, at.C_ROWS]), -1, int(cliques[place, at.C_ROW])
        if kind == "separator":
            own = cliques[place]
            target = at.C_UP_TARGET if clique == place else at.C_DOWN_TARGET
            seen = -1 if clique < 0 else int(own[target])
            return int(own[at.C_SEPARATOR]), seen, int(own[at.C_BELIEF])
        return int(table[at.T_SIZE]), int(table[at.T_TARGET if clique < 0 else at.T_INTO]), -1
