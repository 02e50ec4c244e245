"""From a forest of cliques to the flat arrays that the kernel walks through."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.inference import layout as at
from diagnose.inference.support import Relation, codes, project

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.inference.cliques import Forest
    from diagnose.inference.families import Network

Ints = NDArray[np.int64]
Reals = NDArray[np.float64]
Index = NDArray[np.int32]

LONG_RUN = 8
"""Entries per target from which summing by runs is faster than adding one by one."""


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Everything the kernel needs; see `layout` for the records.

    Attributes:
        cliques: int64, shape (cliques, C_FIELDS).
        tables: int64, shape (tables, T_FIELDS), in the order they are read out.
        leaves: int64, shape (leaves, L_FIELDS).
        index: uint32, every `ptr` and `perm`.
        number: float64, every constant.
        combinations: int32, for each table in turn its entries as positions in the dense
            array over the table's nodes, ascending.
        table_scopes: int64, the nodes of each table in turn, in the order of the dense axes.
        table_starts: int64, shape (tables, 2): where each table begins in the two above.
        sizes: int64: doubles of workspace, where the scratch block begins in it, all states.
    """

    cliques: Ints
    tables: Ints
    leaves: Ints
    index: NDArray[np.uint32]
    number: Reals
    combinations: Index
    table_scopes: Ints
    table_starts: Ints
    sizes: Ints


class _Pool:
    """Blocks of one array, appended one after the other."""

    def __init__(self) -> None:
        self.blocks: list[NDArray[np.generic]] = []
        self.size = 0

    def add(self, block: NDArray[np.generic]) -> int:
        """Appends a block and says where it begins."""
        start = self.size
        self.blocks.append(block)
        self.size += len(block)
        return start

    def joined(self, dtype: type[np.generic]) -> NDArray[np.generic]:
        """All blocks as one array."""
        if not self.blocks:
            return np.zeros(0, dtype)
        return np.concatenate(self.blocks).astype(dtype)


@dataclass(frozen=True, slots=True, eq=False)
class _Block:
    """A block of the workspace whose entries are combinations of states of some nodes."""

    relation: Relation
    work: int


def runs(target: NDArray[np.integer], size: int) -> tuple[Ints, Ints]:
    """A projection as `ptr` and `perm`: which source entries fall on each target entry.

    Args:
        target: for each source entry, the target entry it falls on.
        size: number of target entries.
    """
    counts = np.bincount(target, minlength=size)
    pointer = np.concatenate([[0], np.cumsum(counts)])
    return pointer.astype(np.int64), np.argsort(target, kind="stable").astype(np.int64)


def _positions(source: Relation, target: Relation, cards: Sequence[int]) -> Ints:
    """For each row of `source`, the row of `target` (a projection of it) that it falls on."""
    spans = [cards[node] for node in target.scope]
    both = np.concatenate([target.rows, source.columns(target.scope)])
    code = codes(both, spans)
    own = code[: len(target.rows)]
    order = np.argsort(own, kind="stable")
    return order[np.searchsorted(own[order], code[len(own) :])].astype(np.int64)


class PlanBuilder:
    """Lays one network out; `plan()` is the only thing to call."""

    def __init__(self, network: Network, forest: Forest) -> None:
        self._network = network
        self._cards = network.cards
        self._parent = forest.parent
        self._separators = self._find_separators(forest)
        self._relations = [
            self._sorted(relation, separator)
            for relation, separator in zip(forest.relations, self._separators, strict=True)
        ]
        self._index = _Pool()
        self._number = _Pool()
        self._work = sum(len(relation.rows) for relation in self._relations)
        self._starts = np.cumsum([0, *(len(r.rows) for r in self._relations)]).tolist()
        self._blocks = [
            _Block(relation, start)
            for relation, start in zip(self._relations, self._starts, strict=False)
        ]
        self._cliques = np.full((len(self._relations), at.C_FIELDS), -1, np.int64)
        self._up: list[Ints] = []
        self._down: list[Ints] = []

    def plan(self) -> Plan:
        """The whole layout, without the results for the case of no findings."""
        for place in range(len(self._relations)):
            self._lay_clique(place)
        rows = self._conditional_rows()
        self._number.add(rows)
        self._lay_lows(rows)
        tables, relations = self._lay_tables()
        leaves, widest = self._lay_leaves(tables, relations)
        scratch = self._work
        self._work += max([widest, *(len(r.rows) for r in relations)], default=0)
        total_states = sum(self._cards)
        dense = [self._dense_positions(relation) for relation in relations]
        scopes = [np.array(relation.scope, np.int64) for relation in relations]
        starts = np.zeros((len(relations) + 1, 2), np.int64)
        starts[1:, 0] = np.cumsum([len(block) for block in dense])
        starts[1:, 1] = np.cumsum([len(scope) for scope in scopes])
        return Plan(
            cliques=self._cliques,
            tables=tables,
            leaves=leaves,
            index=self._index.joined(np.uint32),  # type: ignore[arg-type]
            number=self._number.joined(np.float64),  # type: ignore[arg-type]
            combinations=np.concatenate([np.zeros(0, np.int32), *dense]).astype(np.int32),
            table_scopes=np.concatenate([np.zeros(0, np.int64), *scopes]),
            table_starts=starts,
            sizes=np.array([self._work, scratch, total_states], np.int64),
        )

    def _find_separators(self, forest: Forest) -> list[tuple[int, ...]]:
        return [
            tuple(sorted(set(relation.scope).intersection(forest.relations[above].scope)))
            if above >= 0
            else ()
            for relation, above in zip(forest.relations, forest.parent, strict=True)
        ]

    def _sorted(self, relation: Relation, separator: Sequence[int]) -> Relation:
        """Columns with the separator first, rows ascending: separator entries become runs."""
        rest = sorted(set(relation.scope).difference(separator))
        scope = (*separator, *rest)
        columns = relation.columns(scope)
        order = np.argsort(codes(columns, [self._cards[node] for node in scope]), kind="stable")
        return Relation(scope, np.ascontiguousarray(columns[order]))

    def _lay_clique(self, place: int) -> None:
        """Rows, separator and both projections of one clique."""
        relation, parent = self._relations[place], self._parent[place]
        record = self._cliques[place]
        record[at.C_ROW], record[at.C_ROWS] = self._starts[place], len(relation.rows)
        record[at.C_PARENT] = parent
        record[at.C_ROOT] = place if parent < 0 else self._cliques[parent, at.C_ROOT]
        self._up.append(np.zeros(0, np.int64))
        self._down.append(np.zeros(0, np.int64))
        if parent < 0:
            return
        entries = project(relation, self._separators[place], self._cards)
        size = len(entries.rows)
        own = _positions(relation, entries, self._cards)
        above = _positions(self._relations[parent], entries, self._cards)
        self._up[place], self._down[place] = own, above
        record[at.C_UP], record[at.C_BELIEF] = self._work, self._work + size
        record[at.C_SEPARATOR] = size
        self._blocks.append(_Block(entries, self._work + size))
        self._work += 2 * size
        record[at.C_UP_TARGET], record[at.C_DOWN_TARGET] = map(self._index.add, (own, above))
        if len(own) >= LONG_RUN * size:
            record[at.C_UP_PTR] = self._index.add(runs(own, size)[0])
        if len(above) >= LONG_RUN * size:
            record[at.C_DOWN_PTR], record[at.C_DOWN_PERM] = map(self._index.add, runs(above, size))

    def _conditional_rows(self) -> Reals:
        """`P(row | separator)` of every row, `P(row)` in the roots.

        Each table is multiplied into the smallest clique that holds its nodes, then messages are
        collected once. Extended precision keeps products of many small numbers from underflow.
        """
        weights = [np.ones(len(relation.rows), np.longdouble) for relation in self._relations]
        leaves = set(self._network.leaves)
        for node, above in enumerate(self._network.parents):
            if node in leaves:
                continue
            home = self._smallest_clique((*above, node))
            columns = self._relations[home].columns((*above, node))
            table = self._network.families[node].table
            weights[home] *= table[tuple(columns.T)]
        for place in reversed(range(len(weights))):
            if self._parent[place] < 0:
                weights[place] /= weights[place].sum()
                continue
            size = int(self._cliques[place, at.C_SEPARATOR])
            begin = runs(self._up[place], size)[0][:-1]
            message = np.add.reduceat(weights[place], begin)
            weights[place] /= message[self._up[place]]
            weights[self._parent[place]] *= message[self._down[place]]
        joined = np.concatenate([np.zeros(0, np.longdouble), *weights])
        return joined.astype(np.float64)

    def _lay_lows(self, rows: Reals) -> None:
        """The smallest row of each clique, from which the kernel judges underflow."""
        for record in self._cliques:
            own = rows[record[at.C_ROW] : record[at.C_ROW] + record[at.C_ROWS]]
            record[at.C_LOW] = self._number.add(np.array([own[own > 0.0].min()]))

    def _smallest_clique(self, nodes: Sequence[int]) -> int:
        wanted = set(nodes)
        return min(
            (place for place, r in enumerate(self._relations) if wanted.issubset(r.scope)),
            key=lambda place: (len(self._relations[place].rows), place),
        )

    def _lay_tables(self) -> tuple[Ints, list[Relation]]:
        """One table per set of parents of a leaf and per node of the forest, joints first."""
        leaves = set(self._network.leaves)
        joints = {tuple(sorted(self._network.parents[leaf])) for leaf in leaves}
        singles = {(n,) for n in range(len(self._cards)) if n not in leaves}
        scopes = sorted(joints | singles, key=lambda scope: (-len(scope), scope))
        offsets = np.cumsum([0, *self._cards]).tolist()
        records, relations = [], []
        for scope in scopes:
            clique = self._smallest_clique(scope)
            relation = self._table_relation(scope, clique)
            record = np.full(at.T_FIELDS, -1, np.int64)
            record[at.T_OUT], record[at.T_SIZE] = self._work, len(relation.rows)
            record[at.T_CLIQUE] = clique
            record[at.T_ROOT] = self._cliques[clique, at.C_ROOT]
            self._lay_table_steps(record, relation, clique)
            record[at.T_PRIOR] = self._number.add(np.zeros(len(relation.rows)))
            if len(scope) == 1:
                record[at.T_STATES] = offsets[scope[0]]
            self._blocks.append(_Block(relation, self._work))
            self._work += len(relation.rows)
            records.append(record)
            relations.append(relation)
        return np.array(records, np.int64).reshape(-1, at.T_FIELDS), relations

    def _table_relation(self, scope: tuple[int, ...], clique: int) -> Relation:
        """Entries of a table: possible combinations, but every state of a single node."""
        if len(scope) > 1:
            return project(self._relations[clique], scope, self._cards)
        return Relation(scope, np.arange(self._cards[scope[0]], dtype=np.int32)[:, None])

    def _lay_table_steps(self, record: Ints, relation: Relation, clique: int) -> None:
        """The projection that reads a table, and the one its evidence runs backwards."""
        wanted = set(relation.scope)
        source = min(
            (block for block in self._blocks if wanted.issubset(block.relation.scope)),
            key=lambda block: (len(block.relation.rows), block.work),
        )
        size = len(relation.rows)
        record[at.T_SOURCE], record[at.T_ENTRIES] = source.work, len(source.relation.rows)
        target = _positions(source.relation, relation, self._cards)
        record[at.T_TARGET] = self._index.add(target)
        if len(target) >= LONG_RUN * size:
            pointer, picked = runs(target, size)
            record[at.T_PTR] = self._index.add(pointer)
            if not np.array_equal(picked, np.arange(len(picked))):
                record[at.T_PERM] = self._index.add(picked)
        record[at.T_INTO] = record[at.T_TARGET]
        if source.work != self._starts[clique]:
            into = _positions(self._relations[clique], relation, self._cards)
            record[at.T_INTO] = self._index.add(into)

    def _lay_leaves(self, tables: Ints, relations: Sequence[Relation]) -> tuple[Ints, int]:
        """Groups of equal rows of each leaf's table; also the largest number of groups."""
        place_of = {relation.scope: place for place, relation in enumerate(relations)}
        offsets = np.cumsum([0, *self._cards]).tolist()
        records, widest = [], 0
        for leaf in self._network.leaves:
            above = self._network.parents[leaf]
            table = place_of[tuple(sorted(above))]
            columns = relations[table].columns(above)
            rows = self._network.families[leaf].table[tuple(columns.T)]
            distinct, group = np.unique(rows, axis=0, return_inverse=True)
            record = np.full(at.L_FIELDS, -1, np.int64)
            record[at.L_TABLE], record[at.L_GROUPS] = table, len(distinct)
            record[at.L_GROUP] = self._index.add(group.reshape(-1))
            record[at.L_OUTCOMES], record[at.L_STATES] = self._cards[leaf], offsets[leaf]
            record[at.L_LIKELIHOOD] = self._number.add(np.ascontiguousarray(distinct.T).ravel())
            record[at.L_ENTROPY] = self._number.add(entropies(distinct))
            record[at.L_PRIOR] = self._number.add(np.zeros(self._cards[leaf] + 1))
            record[at.L_ROOT] = tables[table, at.T_ROOT]
            widest = max(widest, len(distinct))
            records.append(record)
        return np.array(records, np.int64).reshape(-1, at.L_FIELDS), widest

    def _dense_positions(self, relation: Relation) -> Index:
        spans = [self._cards[node] for node in relation.scope]
        return codes(relation.rows, spans).astype(np.int32)


def entropies(rows: Reals) -> Reals:
    """H in bits of each row of an array of distributions."""
    safe = np.where(rows > 0.0, rows, 1.0)
    bits: Reals = np.abs(np.sum(safe * np.log2(safe), axis=-1))
    return bits
