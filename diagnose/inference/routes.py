"""Which tables a set of what-ifs reads, from where, and in which groups they go together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.inference import layout as at

if TYPE_CHECKING:
    from collections.abc import Iterable

    from diagnose.inference.plan import Plan

Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Routes:
    """Where news goes and what is read on the way; see `layout` for the records.

    Attributes:
        places: int64, shape (cliques + 1, P_FIELDS).
        children: int64, the children of each clique in turn.
        sinks: int64, shape (tables read, S_FIELDS).
        out: table -> where its entries begin in a result.
        entries: how many entries a result has.
    """

    places: Ints
    children: Ints
    sinks: Ints
    out: dict[int, int]
    entries: int


def make_routes(plan: Plan, wanted: Iterable[int]) -> Routes:
    """Routes to some tables.

    A table is read from the smallest block that holds its nodes, as in a propagation: the rows of
    a clique, a separator, or another table, which then is read too.

    Args:
        plan: the layout of the network.
        wanted: tables to read.
    """
    cliques, tables = plan.cliques, plan.tables
    of_rows = {int(row): clique for clique, row in enumerate(cliques[:, at.C_ROW])}
    of_separator = {
        int(record[at.C_BELIEF]): clique
        for clique, record in enumerate(cliques)
        if record[at.C_PARENT] >= 0
    }
    of_table = {int(out): table for table, out in enumerate(tables[:, at.T_OUT])}
    waiting, read = list(wanted), set[int]()
    while waiting:
        table = waiting.pop()
        if table not in read:
            read.add(table)
            source = int(tables[table, at.T_SOURCE])
            waiting.extend([of_table[source]] if source in of_table else [])
    ranked = sorted(
        (0, of_rows[source], table)
        if source in of_rows
        else (1, of_separator[source], table)
        if source in of_separator
        else (2, of_table[source], table)
        for table in read
        for source in [int(tables[table, at.T_SOURCE])]
    )
    # a table is read from one with a smaller index, so these have to follow each other
    ranked.sort(key=lambda one: (one[0], one[2] if one[0] == 2 else one[1]))
    order = [table for _, _, table in ranked]
    begin = np.cumsum([0, *tables[order, at.T_SIZE]]).tolist()
    out = dict(zip(order, begin, strict=False))
    sinks = np.zeros((len(order), at.S_FIELDS), np.int64)
    for record, (kind, source, table) in zip(sinks, ranked, strict=True):
        record[at.S_TABLE], record[at.S_OUT] = table, out[table]
        record[at.S_FROM] = out[source] if kind == 2 else -1
    counts = np.zeros((2, len(cliques)), np.int64)
    for kind, place, _ in ranked:
        if kind < 2:
            counts[kind, place] += 1
    return Routes(*_places(plan, counts), sinks, out, begin[-1])


def _places(plan: Plan, counts: Ints) -> tuple[Ints, Ints]:
    """Records of all cliques and their children.

    Args:
        plan: the layout of the network.
        counts: how many tables are read from each clique's rows and separator; shape
            (2, cliques).
    """
    parent = plan.cliques[:, at.C_PARENT]
    size = len(parent)
    places = np.zeros((size + 1, at.P_FIELDS), np.int64)
    np.cumsum(np.maximum(plan.cliques[:, at.C_SEPARATOR], 0), out=places[1:, at.P_RATIO])
    np.cumsum(np.bincount(parent[parent >= 0], minlength=size), out=places[1:, at.P_CHILDREN])
    np.cumsum(counts[0], out=places[1:, at.P_FROM_ROWS])
    np.cumsum(counts[1], out=places[1:, at.P_FROM_SEPARATOR])
    places[:, at.P_FROM_SEPARATOR] += places[size, at.P_FROM_ROWS]
    below = counts.sum(axis=0)
    for clique in range(size - 1, -1, -1):
        if parent[clique] >= 0:
            below[parent[clique]] += below[clique]
    places[:size, at.P_BELOW] = below
    root = plan.cliques[:, at.C_ROOT]
    places[:size, at.P_ABOVE] = below[root] - below + counts[1]
    order = np.argsort(parent, kind="stable")
    return places, order[parent[order] >= 0].astype(np.int64)


def make_groups(plan: Plan, tables: Ints) -> tuple[Ints, Ints]:
    """What-ifs that begin in the same clique, `LANES` at a time.

    Args:
        plan: the layout of the network.
        tables: the table that each what-if is about.

    Returns:
        The what-ifs in the order they go, and the records of the groups.
    """
    cliques = plan.tables[tables, at.T_CLIQUE]
    order = np.argsort(cliques, kind="stable")
    groups = []
    for clique, begin, count in zip(
        *np.unique(cliques[order], return_index=True, return_counts=True), strict=True
    ):
        groups.extend(
            (clique, first, min(at.LANES, begin + count - first))
            for first in range(begin, begin + count, at.LANES)
        )
    return order, np.array(groups, np.int64).reshape(-1, at.G_FIELDS)
