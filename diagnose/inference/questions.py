"""The states of some nodes, seen from the tables they depend on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.inference import layout as at

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.inference.findings import Encoder, Findings

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Question:
    """The states of some nodes, one node after the other.

    Attributes:
        nodes: indices of the nodes.
        tables: for each node, the table that its states depend on: its own, or its parents' joint
            for a leaf.
        weights: for each node `P(state | entry of the table)`, shape (entries, states).
        codes: entry of each state in the vector of all states.
        offsets: where the states of each node begin; shape (nodes + 1,).
    """

    nodes: tuple[int, ...]
    tables: tuple[int, ...]
    weights: tuple[Reals, ...]
    codes: Ints
    offsets: Ints

    @cached_property
    def node_of_state(self) -> Ints:
        """For each state, the place of its node among `nodes`."""
        return np.repeat(np.arange(len(self.nodes)), np.diff(self.offsets))

    @cached_property
    def table_of_state(self) -> Ints:
        """For each state, the table it depends on."""
        return np.array(self.tables, np.int64)[self.node_of_state]

    @cached_property
    def by_table(self) -> Mapping[int, tuple[Ints, Reals]]:
        """For each table, ascending, the states that depend on it and all their weights."""
        found = {}
        for table in sorted(set(self.tables)):
            about = [place for place, own in enumerate(self.tables) if own == table]
            found[table] = (
                np.concatenate([np.arange(*self.offsets[place : place + 2]) for place in about]),
                np.concatenate([self.weights[place] for place in about], axis=1),
            )
        return found

    @cached_property
    def columns(self) -> tuple[Ints, Ints, Reals]:
        """For each state where its weights begin, how many there are, and all of them."""
        blocks = [np.ascontiguousarray(weights.T).ravel() for weights in self.weights]
        counts = np.array([len(self.weights[place]) for place in self.node_of_state], np.int64)
        return np.cumsum(counts) - counts, counts, np.concatenate([np.zeros(0), *blocks])

    def found_themselves(self, base: Findings) -> dict[int, Reals]:
        """Leaves that were themselves found in a state or weighted, and their weights now.

        Returns:
            Place among `nodes` -> `P(state | entry, what was found of this leaf)`.
        """
        changed = {}
        for place, node in enumerate(self.nodes):
            if node in base.states or node in base.weights:
                own = base.weights.get(node, 1.0)
                if node in base.states:
                    states = np.arange(self.weights[place].shape[1])
                    own = np.where(states == base.states[node], 1.0, 0.0)
                weighted = self.weights[place] * own
                total = weighted.sum(axis=1, keepdims=True)
                changed[place] = np.divide(
                    weighted, total, out=np.zeros_like(weighted), where=total > 0.0
                )
        return changed


@lru_cache(maxsize=16)
def question(encoder: Encoder, nodes: tuple[int, ...]) -> Question:
    """The states of some nodes of a compiled network."""
    starts, tables, weights, codes = encoder.names.starts, [], [], []
    for node in nodes:
        leaf = encoder.leaf_of.get(node)
        if leaf is None:
            tables.append(int(encoder.record_of_state[starts[node], at.F_ABOUT]))
            weights.append(np.eye(len(encoder.names.states[node])))
        else:
            tables.append(int(encoder.plan.leaves[leaf, at.L_TABLE]))
            weights.append(_likelihood(encoder, leaf))
        codes.append(np.arange(starts[node], starts[node + 1]))
    return Question(
        nodes,
        tuple(tables),
        tuple(weights),
        np.concatenate([np.zeros(0, np.int64), *codes]),
        np.cumsum([0, *map(len, codes)], dtype=np.int64),
    )


def _likelihood(encoder: Encoder, leaf: int) -> Reals:
    """`P(outcome | entry of its table)` of a leaf; shape (entries, outcomes)."""
    plan, record = encoder.plan, encoder.plan.leaves[leaf]
    size, groups = plan.tables[record[at.L_TABLE], at.T_SIZE], record[at.L_GROUPS]
    start, group = record[at.L_LIKELIHOOD], record[at.L_GROUP]
    table = plan.number[start : start + record[at.L_OUTCOMES] * groups].reshape(-1, groups)
    return np.ascontiguousarray(table[:, plan.index[group : group + size]].T)
