"""What a what-if is about: the states of one node, seen from a table of the plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference import layout as at

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from diagnose.inference.findings import Encoder, Findings


@dataclass(frozen=True, slots=True, eq=False)
class Questions:
    """The states of some nodes, one node after the other.

    Attributes:
        nodes: indices of the nodes.
        tables: for each node, the table that its states depend on: its own, or its parents' joint
            for a leaf.
        weights: for each node, `P(state | entry of the table, findings)`; shape
            (entries, states).
        offsets: where the states of each node begin; shape (nodes + 1,).
        chance: `P(state | findings)` of all states; shape (offsets[-1],).
    """

    nodes: tuple[int, ...]
    tables: tuple[int, ...]
    weights: tuple[NDArray[np.float64], ...]
    offsets: NDArray[np.int64]
    chance: NDArray[np.float64]

    @property
    def node_of_state(self) -> NDArray[np.int64]:
        """For each state, the place of its node among `nodes`."""
        return np.repeat(np.arange(len(self.nodes)), np.diff(self.offsets))


def ask(
    encoder: Encoder,
    likelihoods: Sequence[NDArray[np.float64]],
    nodes: Sequence[int],
    base: Findings,
    marginals: NDArray[np.float64],
) -> Questions:
    """The states of some nodes after some findings.

    Args:
        encoder: the tables that findings about each node go to.
        likelihoods: from `leaf_likelihoods`.
        nodes: indices of nodes.
        base: the findings.
        marginals: of all states, given the findings.
    """
    starts = encoder.names.starts
    tables, weights = [], []
    for node in nodes:
        leaf = encoder.leaf_of.get(node)
        if leaf is None:
            tables.append(int(encoder.record_of_state[starts[node], at.F_ABOUT]))
            weights.append(np.eye(len(encoder.names.states[node])))
        else:
            tables.append(int(encoder.plan.leaves[leaf, at.L_TABLE]))
            weights.append(_given_own(likelihoods[leaf], node, base))
    sizes = [len(encoder.names.states[node]) for node in nodes]
    chance = [marginals[starts[node] : starts[node + 1]] for node in nodes]
    return Questions(
        tuple(nodes),
        tuple(tables),
        tuple(weights),
        np.cumsum([0, *sizes], dtype=np.int64),
        np.concatenate([np.zeros(0), *chance]),
    )


def _given_own(
    likelihood: NDArray[np.float64], leaf: int, base: Findings
) -> NDArray[np.float64]:
    """`P(outcome | entry)` of a leaf that may itself have been found in a state, or weighted."""
    outcomes = likelihood.shape[1]
    own = base.weights.get(leaf)
    if leaf in base.states:
        own = np.where(np.arange(outcomes) == base.states[leaf], 1.0, 0.0)
    if own is None:
        return likelihood
    weighted = likelihood * own
    total = weighted.sum(axis=1, keepdims=True)
    return np.divide(weighted, total, out=np.zeros_like(weighted), where=total > 0.0)


def leaf_likelihoods(encoder: Encoder) -> tuple[NDArray[np.float64], ...]:
    """For each leaf `P(outcome | entry of its table)`; shape (entries, outcomes)."""
    plan = encoder.plan
    made = []
    for leaf in plan.leaves:
        size, groups = plan.tables[leaf[at.L_TABLE], at.T_SIZE], leaf[at.L_GROUPS]
        start, group = leaf[at.L_LIKELIHOOD], leaf[at.L_GROUP]
        table = plan.number[start : start + leaf[at.L_OUTCOMES] * groups].reshape(-1, groups)
        made.append(np.ascontiguousarray(table[:, plan.index[group : group + size]].T))
    return tuple(made)
