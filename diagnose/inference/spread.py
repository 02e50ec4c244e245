"""Many what-ifs on one set of beliefs: the compiled code.

After a propagation every clique holds `P(row | findings)` and every separator its own marginal.
One more finding about a table changes the rows of one clique; from there the news spreads
outwards, once over each separator: rows are multiplied by `P(separator | all) / P(separator)`,
with 0/0 as 0. (Jensen, Lauritzen & Olesen 1990; it is the second half of a propagation, begun at
the clique where the finding enters.) The rows as they were are only read, so nothing has to be
put back for the next what-if. Where nothing is to be read further out, the news stops.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, cast

import numpy as np
from numba import float64, int64, njit, types, uint32

from diagnose.inference.kernel import fingerprint
from diagnose.inference.lanes import begin_lanes, even_lanes, scale_lanes, sum_lanes, to_ratio
from diagnose.inference.layout import (
    C_BELIEF,
    C_DOWN_PERM,
    C_DOWN_PTR,
    C_DOWN_TARGET,
    C_PARENT,
    C_ROOT,
    C_ROW,
    C_ROWS,
    C_SEPARATOR,
    C_UP_PTR,
    C_UP_TARGET,
    G_CLIQUE,
    G_COUNT,
    G_FIRST,
    LANES,
    P_ABOVE,
    P_BELOW,
    P_CHILDREN,
    P_FROM_ROWS,
    P_FROM_SEPARATOR,
    P_RATIO,
    S_FROM,
    S_OUT,
    S_TABLE,
    T_ENTRIES,
    T_OUT,
    T_PERM,
    T_PTR,
    T_ROOT,
    T_SIZE,
    T_TARGET,
)
from diagnose.inference.steps import compiled

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.inference.steps import Flags, Index, Ints, Reals, Records

_FROZEN_INTS = types.Array(int64, 2, "C", readonly=True)
_FROZEN_INDEX = types.Array(uint32, 1, "C", readonly=True)

SIGNATURE = types.void(
    _FROZEN_INTS, _FROZEN_INTS, _FROZEN_INDEX, float64[::1],
    int64[:, ::1], int64[::1], int64[:, ::1], int64[:, ::1], int64[:, ::1], float64[::1],
    float64[::1], float64[::1], float64[::1], float64[:, ::1],
    int64, int64,
)  # fmt: skip

SOURCES = ("layout", "steps", "vector", "lanes", "spread")


@compiled
def read_sinks(  # noqa: PLR0913, PLR0917 - the flat arrays
    first: int,
    last: int,
    sinks: Records,
    tables: Records,
    index: Index,
    source: Reals,
    begin: int,
    read: Reals,
) -> None:
    """Sums tables out of the block that they are read from; `begin` < 0: out of other tables."""
    for s in range(first, last):
        table = tables[sinks[s, S_TABLE]]
        start = begin if begin >= 0 else sinks[s, S_FROM]
        sum_lanes(
            source, start, table[T_ENTRIES], index,
            table[T_TARGET], table[T_PTR], table[T_PERM], read, sinks[s, S_OUT], table[T_SIZE],
        )  # fmt: skip


@compiled
def pass_on(  # noqa: PLR0913, PLR0917 - the flat arrays
    c: int,
    came_from: int,
    upwards: bool,  # noqa: FBT001
    cliques: Records,
    tables: Records,
    index: Index,
    belief: Reals,
    places: Records,
    children: Ints,
    sinks: Records,
    rows: Reals,
    ratio: Reals,
    read: Reals,
    reached: Flags,
) -> None:
    """Reads the tables of a clique whose rows are known and sends on to where more are read."""
    count = cliques[c, C_ROWS]
    read_sinks(
        places[c, P_FROM_ROWS], places[c + 1, P_FROM_ROWS], sinks, tables, index, rows, 0, read
    )
    for place in range(places[c, P_CHILDREN] - int(upwards), places[c + 1, P_CHILDREN]):
        up = place < places[c, P_CHILDREN]
        edge = c if up else children[place]
        if edge == came_from or (not up and places[edge, P_BELOW] == 0):
            continue
        clique = cliques[edge]
        target = clique[C_UP_TARGET] if up else clique[C_DOWN_TARGET]
        ptr = clique[C_UP_PTR] if up else clique[C_DOWN_PTR]
        perm = -1 if up else clique[C_DOWN_PERM]
        start, size = places[edge, P_RATIO], clique[C_SEPARATOR]
        sum_lanes(rows, 0, count, index, target, ptr, perm, ratio, start, size)
        read_sinks(
            places[edge, P_FROM_SEPARATOR], places[edge + 1, P_FROM_SEPARATOR],
            sinks, tables, index, ratio, start, read,
        )  # fmt: skip
        to_ratio(belief, clique[C_BELIEF], size, ratio, start)
        reached[edge] = not up


@compiled
def spread_group(  # noqa: PLR0913, PLR0917 - the flat arrays
    start: int,
    cliques: Records,
    tables: Records,
    index: Index,
    belief: Reals,
    places: Records,
    children: Ints,
    sinks: Records,
    rows: Reals,
    ratio: Reals,
    read: Reals,
    reached: Flags,
) -> None:
    """From the rows of one clique to every table that is read in its tree."""
    c, came_from = start, -1
    while c >= 0:
        parent = cliques[c, C_PARENT]
        upwards = parent >= 0 and places[c, P_ABOVE] > 0
        pass_on(
            c, came_from, upwards, cliques, tables, index, belief, places, children, sinks,
            rows, ratio, read, reached,
        )  # fmt: skip
        if not upwards:
            break
        scale_lanes(
            belief, cliques[parent, C_ROW], cliques[parent, C_ROWS], index,
            cliques[c, C_DOWN_TARGET], ratio, places[c, P_RATIO], rows,
        )  # fmt: skip
        c, came_from = parent, c
    for c in range(len(cliques)):
        if reached[c]:
            reached[c] = False
            scale_lanes(
                belief, cliques[c, C_ROW], cliques[c, C_ROWS], index,
                cliques[c, C_UP_TARGET], ratio, places[c, P_RATIO], rows,
            )  # fmt: skip
            pass_on(
                c, -1, False, cliques, tables, index, belief, places, children, sinks,
                rows, ratio, read, reached,
            )  # fmt: skip


@cache
def spread_kernel() -> Callable[..., None]:
    """The compiled spreading, loaded from numba's cache on disk or compiled now.

    Its arguments, in order:

    - cliques, tables, index: as in `layout`
    - belief: the workspace after a propagation through every tree
    - places, sinks, groups: records as above
    - children: of each clique in turn
    - lanes: int64 of shape (what-ifs, 2): where the table's entries of each row of the clique
      begin in `index`, and where the weights begin
    - weights: blocks of `P(finding | entry) / P(finding)` over the entries of a table
    - rows, ratio, read: workspace for the largest clique, all separators, all entries read
    - result: shape (what-ifs, all entries read): P(entry | findings, what-if)
    - first, last: the groups to do, `first <= group < last`
    """
    made_from = fingerprint(SOURCES)

    @njit([SIGNATURE], cache=True, nogil=True)
    def spread(  # noqa: PLR0913, PLR0917 - flat arrays are what compiled code takes
        cliques: Records, tables: Records, index: Index, belief: Reals,
        places: Records, children: Ints, sinks: Records, groups: Records, lanes: Records,
        weights: Reals,
        rows: Reals, ratio: Reals, read: Reals, result: Reals,
        first: int, last: int,
    ) -> None:  # fmt: skip
        _ = made_from
        reached = np.zeros(len(cliques), np.bool_)
        chained = places[len(cliques), P_FROM_SEPARATOR]
        for g in range(first, last):
            start, lane, count = groups[g, G_CLIQUE], groups[g, G_FIRST], groups[g, G_COUNT]
            clique = cliques[start]
            for l in range(LANES):
                begin_lanes(
                    belief, clique[C_ROW], clique[C_ROWS], index,
                    lanes[lane + min(l, count - 1), 0], weights, lanes[lane + min(l, count - 1), 1],
                    rows, l,
                )  # fmt: skip
            spread_group(
                start, cliques, tables, index, belief, places, children, sinks,
                rows, ratio, read, reached,
            )  # fmt: skip
            for s in range(len(sinks)):
                table = tables[sinks[s, S_TABLE]]
                out, size = sinks[s, S_OUT], table[T_SIZE]
                if table[T_ROOT] != clique[C_ROOT]:
                    even_lanes(belief, table[T_OUT], size, read, out)
                elif s >= chained:
                    read_sinks(s, s + 1, sinks, tables, index, read, -1, read)
                for l in range(count):
                    for j in range(out, out + size):
                        result[lane + l, j] = read[j * LANES + l]

    return cast("Callable[..., None]", spread)
