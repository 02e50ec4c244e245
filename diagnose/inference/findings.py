"""Findings as the records the kernel reads, checked against the names of a network."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkError, UnknownNameError, ValueOutOfRangeError
from diagnose.inference import layout as at

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from diagnose.inference.plan import Plan

NO_NUMBERS = np.zeros(0)
NO_FINDINGS: Mapping[int, NDArray[np.float64]] = MappingProxyType({})


@dataclass(frozen=True, eq=False)
class Names:
    """The names, states and parents of a network's nodes, by index.

    Attributes:
        nodes: name of each node.
        states: names of each node's states.
        parents: indices of each node's parents, in the order of its table's axes.
    """

    nodes: tuple[str, ...]
    states: tuple[tuple[str, ...], ...]
    parents: tuple[tuple[int, ...], ...]

    @cached_property
    def index(self) -> dict[str, int]:
        """Node name -> index."""
        return {name: place for place, name in enumerate(self.nodes)}

    @cached_property
    def state_index(self) -> tuple[dict[str, int], ...]:
        """For each node, state name -> index."""
        return tuple({name: place for place, name in enumerate(own)} for own in self.states)

    @cached_property
    def offsets(self) -> NDArray[np.int64]:
        """Where each node's states begin in the vector of all states; shape (nodes + 1,)."""
        return np.cumsum([0, *(len(own) for own in self.states)], dtype=np.int64)

    @cached_property
    def starts(self) -> tuple[int, ...]:
        """The same as plain integers, which are quicker one at a time."""
        return tuple(self.offsets.tolist())

    def node(self, name: str) -> int:
        """Index of a node; `UnknownNameError` when there is none."""
        try:
            return self.index[name]
        except KeyError:
            raise UnknownNameError("node", str(name), self.nodes) from None

    def state(self, node: int, name: str) -> int:
        """Index of a state of a node; `UnknownNameError` when there is none."""
        try:
            return self.state_index[node][name]
        except KeyError:
            raise UnknownNameError(
                "state", str(name), self.states[node], self.nodes[node]
            ) from None


@dataclass(frozen=True, slots=True, eq=False)
class Findings:
    """What was found, ready for the kernel. Made by `CompiledNetwork.encode`.

    Attributes:
        states: node index -> state index, for nodes found to be in one state.
        weights: node index -> nonnegative weights over its states (virtual evidence).
        readings: leaf index -> nonnegative weights over its parents' combinations.
        records: int64, shape (findings, F_FIELDS).
        numbers: float64, the blocks that `records` point into.
    """

    states: Mapping[int, int]
    weights: Mapping[int, NDArray[np.float64]]
    readings: Mapping[int, NDArray[np.float64]]
    records: NDArray[np.int64]
    numbers: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.states) + len(self.weights) + len(self.readings)


class Encoder:
    """Turns findings into records for one plan; holds only look-up tables."""

    def __init__(self, names: Names, plan: Plan) -> None:
        self.names = names
        self.plan = plan
        self.leaf_nodes = np.searchsorted(names.offsets, plan.leaves[:, at.L_STATES], "right") - 1
        self.leaf_of = {int(node): leaf for leaf, node in enumerate(self.leaf_nodes)}
        self.record_of_state = self._records_of_states()

    def _records_of_states(self) -> NDArray[np.int64]:
        """For each state of each node, the record that says the node is in it."""
        records = np.zeros((int(self.plan.sizes[2]), at.F_FIELDS), np.int64)
        for kind, found, start, size in (
            (at.STATE_OF_NODE, self.plan.tables, at.T_STATES, at.T_SIZE),
            (at.OUTCOME_OF_LEAF, self.plan.leaves, at.L_STATES, at.L_OUTCOMES),
        ):
            for about, record in enumerate(found):
                if record[start] >= 0:
                    own = records[record[start] : record[start] + record[size]]
                    own[:, at.F_KIND], own[:, at.F_ABOUT] = kind, about
                    own[:, at.F_VALUE] = np.arange(len(own))
        return records

    def read(
        self,
        evidence: Mapping[str, str],
        likelihoods: Mapping[str, Sequence[float]],
        parent_likelihoods: Mapping[str, ArrayLike],
    ) -> Findings:
        """Checks names, shapes and numbers; see `CompiledNetwork.posterior` for the errors."""
        names = self.names
        states = {}
        for name, state in evidence.items():
            node = names.node(name)
            states[node] = names.state(node, state)
        weights = {}
        for name, given in likelihoods.items():
            node = names.node(name)
            weights[node] = _weights(name, given, (len(names.states[node]),))
        readings = {}
        for name, reading in parent_likelihoods.items():
            node = names.node(name)
            if node not in self.leaf_of:
                raise NetworkError(
                    f"{name}: a likelihood over its parents needs a node that has parents and "
                    "no children",
                    name,
                )
            shape = tuple(len(names.states[parent]) for parent in names.parents[node])
            readings[node] = _weights(name, reading, shape)
        return self.encode(states, weights, readings)

    def encode(
        self,
        states: Mapping[int, int],
        weights: Mapping[int, NDArray[np.float64]] = NO_FINDINGS,
        readings: Mapping[int, NDArray[np.float64]] = NO_FINDINGS,
    ) -> Findings:
        """Records of findings given by index, in ascending order of the nodes."""
        starts = self.names.starts
        plain = sorted(node for node in states if node not in weights)
        records = [self.record_of_state[[starts[node] + states[node] for node in plain]]]
        blocks: list[NDArray[np.float64]] = []
        size = 0
        for node in sorted(weights):
            own = weights[node]
            if node in states:  # both at once: only the weight of the state it is in counts
                own = np.where(np.arange(len(own)) == states[node], own, 0.0)
            about = self.record_of_state[starts[node]].copy()
            is_leaf = node in self.leaf_of
            about[at.F_KIND] = at.WEIGHTS_OF_LEAF if is_leaf else at.WEIGHTS_OF_NODE
            about[at.F_VALUE] = size
            records.append(about[None])
            blocks.append(own)
            size += len(own)
        for node in sorted(readings):
            leaf = self.leaf_of[node]
            block = self.over_table(leaf, readings[node])
            records.append(np.array([[at.WEIGHTS_OF_PARENTS, leaf, size]], np.int64))
            blocks.append(block)
            size += len(block)
        return Findings(
            MappingProxyType(dict(states)),
            MappingProxyType(dict(weights)),
            MappingProxyType(dict(readings)),
            np.concatenate(records) if len(records) > 1 else records[0],
            np.concatenate(blocks) if blocks else NO_NUMBERS,
        )

    def everywhere(self, base: Findings) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Records and numbers of some findings, and weights of 1 in every other tree."""
        tables, about = self.plan.tables, base.records[:, at.F_ABOUT].copy()
        of_leaf = base.records[:, at.F_KIND] >= at.OUTCOME_OF_LEAF
        about[of_leaf] = self.plan.leaves[about[of_leaf], at.L_TABLE]
        singles = np.flatnonzero(tables[:, at.T_STATES] >= 0)
        roots, first = np.unique(tables[singles, at.T_ROOT], return_index=True)
        other = singles[first[~np.isin(roots, tables[about, at.T_ROOT])]]
        extra = np.zeros((len(other), at.F_FIELDS), np.int64)
        extra[:, at.F_KIND], extra[:, at.F_ABOUT] = at.WEIGHTS_OF_NODE, other
        extra[:, at.F_VALUE] = len(base.numbers)
        ones = np.ones(int(tables[other, at.T_SIZE].max(initial=0)))
        return np.concatenate([base.records, extra]), np.concatenate([base.numbers, ones])

    def over_table(self, leaf: int, dense: NDArray[np.float64]) -> NDArray[np.float64]:
        """Weights over a leaf's parents, as entries of its table."""
        table = int(self.plan.leaves[leaf, at.L_TABLE])
        above = self.names.parents[int(self.leaf_nodes[leaf])]
        order = np.argsort(above)
        return np.ascontiguousarray(dense.transpose(order)).ravel()[self.combinations(table)]

    def combinations(self, table: int) -> NDArray[np.int32]:
        """Positions of a table's entries in the dense array over its nodes, ascending nodes."""
        start, stop = self.plan.table_starts[table : table + 2, 0]
        return self.plan.combinations[start:stop]


def _weights(place: str, given: ArrayLike, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """A likelihood as a checked array; a maximum above 1 is fine, only ratios matter."""
    try:
        values = np.array(given, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise NetworkError(f"{place}: the likelihood is not an array of numbers", place) from error
    if values.shape != shape:
        raise NetworkError(
            f"{place}: the likelihood has shape {values.shape}, expected {shape}", place
        )
    if not np.isfinite(values).all() or (values < 0.0).any():
        bad = values[~(np.isfinite(values) & (values >= 0.0))].flat[0]
        raise ValueOutOfRangeError(place, float(bad), 0.0, float("inf"), "likelihood")
    values.setflags(write=False)
    return values
