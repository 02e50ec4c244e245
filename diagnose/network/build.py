"""From a machine to its Bayesian network.

Roots are shared causes and parts, leaves are tests and complaints, everything between is
deterministic (`diagnose.network.nodes`). The table of a leaf is the prior-weighted summary of
solving the whole circuit for no fault, every single fault and every pair: for each combination of
its parents' states, what the instrument would show under the fault sets that lead there.
Combinations that no pair reaches take the reading of the fault sets that stand for the states.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.wiring import make_sites
from diagnose.errors import NetworkError
from diagnose.inference.families import Family, Network
from diagnose.network.behaviour import Behaviour, make_behaviour
from diagnose.network.classes import BUDGET, join, make_yardstick, weight_of
from diagnose.network.leaves import Leaf, make_leaves
from diagnose.network.nodes import Node, NodeBuilder, make_stretches
from diagnose.network.outcomes import (
    bin_of,
    cause_chances,
    check_chances,
    complaint_chances,
    limits_of,
    outcome_chances,
)
from diagnose.network.priors import root_families
from diagnose.network.words import NO, UNLISTED, YES

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Test
    from diagnose.network.behaviour import FaultSet


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """What an instrument would read in each combination of the parents' states.

    The fault sets summed up in one combination need not read alike: the readings that fall into
    one outcome are kept apart from those of another, so that a rare one does not move the mean.

    Attributes:
        mean: (parents ..., outcomes with a quantity, 2) predicted value in the test's unit, for
            both readings of an unsteady circuit.
        deviation: (same) standard deviation among the fault sets summed up there.
        share: (same) how much of the combination they weigh; sums to 1 over the outcomes.
    """

    mean: NDArray[np.float64]
    deviation: NDArray[np.float64]
    share: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class DiagnosticNetwork:
    """A machine's network, ready to be compiled or exported.

    Attributes:
        network: the families.
        predictions: by test with a unit, what its instrument would read.
        stages: node -> when to sum it out: the leaves of the wiring tree first.
    """

    network: Network
    predictions: Mapping[str, Prediction]
    stages: Mapping[str, int]


def make_network(machine: Machine) -> DiagnosticNetwork:
    """The network of a machine.

    Raises:
        CircuitError: wiring that cannot be solved.
        NetworkError: names that collide, priors that do not add up.
    """
    return network_of(make_behaviour(machine))


def network_of(behaviour: Behaviour) -> DiagnosticNetwork:
    """The network of a machine whose behaviour is known."""
    leaves = make_leaves(behaviour, make_sites(behaviour.machine))
    return network_with(behaviour, list(root_families(behaviour.machine)), leaves)


def network_with(
    behaviour: Behaviour, roots: Sequence[Family], leaves: Sequence[Leaf], budget: float = BUDGET
) -> DiagnosticNetwork:
    """The network of given roots and leaves.

    Args:
        behaviour: what is read under every fault set of the roots.
        roots: shared causes and parts; the states of a part are `ok` and its faults in order.
        leaves: tests and complaints; each column is one of the behaviour's.
        budget: what one merging of states may get wrong; see `diagnose.network.classes`.

    Raises:
        NetworkError: names that collide.
    """
    builder = make_nodes(behaviour, leaves, budget)
    census = Census(behaviour, builder.nodes)
    families = list(roots)
    families += [_node_family(behaviour, node) for node in builder.nodes.values() if node.parents]
    predictions: dict[str, Prediction] = {}
    reading = [leaf for leaf in leaves if leaf.column >= 0]
    census.look_up({_leaf_parents(builder, leaf) for leaf in reading})
    for leaf in leaves:
        if leaf.column < 0:
            test = behaviour.machine.tests[leaf.name]
            cause = behaviour.machine.shared_causes[str(test.cause)]
            families.append(_leaf_family(leaf, (cause.id,), cause_chances(test)))
            continue
        parents = _leaf_parents(builder, leaf)
        chances, prediction = census.summary(leaf, parents)
        families.append(_leaf_family(leaf, tuple(p.name for p in parents), chances))
        if prediction is not None:
            predictions[leaf.name] = prediction
    _check_names(families)
    stages = make_stages(builder, families)
    return DiagnosticNetwork(Network(tuple(families)), predictions, stages)


def make_stages(builder: NodeBuilder, families: list[Family]) -> dict[str, int]:
    """When to sum each node out: once everything beyond the stretches that use it is gone."""
    used: dict[str, set[int]] = {}
    for family in families:
        at = {builder.place[family.node]} if family.node in builder.place else set()
        if not at and all(parent in builder.behaviour.machine.parts for parent in family.parents):
            at = {builder.place[parent] for parent in family.parents}
        for node in (family.node, *family.parents):
            used.setdefault(node, set()).update(at)
    return {node: builder.turn_of(stretches) for node, stretches in used.items() if stretches}


def make_nodes(behaviour: Behaviour, leaves: Sequence[Leaf], budget: float) -> NodeBuilder:
    """All deterministic nodes that the leaves will hang on."""
    tied = [leaf for leaf in leaves if leaf.site >= 0]
    columns = list(dict.fromkeys(leaf.column for leaf in tied))
    folded = [leaf for leaf in leaves if leaf.folded]
    site_of = {leaf.column: leaf.site for leaf in reversed(tied)}
    stretches, stretch_of = make_stretches(behaviour, set(site_of.values()))
    yardstick = make_yardstick(behaviour, columns + [leaf.column for leaf in folded], budget)
    anchored = {i: stretch_of[site_of[c]] for i, c in enumerate(columns)}
    builder = NodeBuilder(behaviour, yardstick, stretches, anchored)
    builder.build()
    for leaf in tied:
        builder.tie(leaf.name, stretch_of[leaf.site])
    for i, leaf in enumerate(folded):
        builder.fold(leaf.name, leaf.parts, len(columns) + i)
    return builder


def _leaf_parents(builder: NodeBuilder, leaf: Leaf) -> tuple[Node, ...]:
    """What a leaf hangs on; where nothing can change it, on what the file does not list.

    That happens after a repair that always helps: a splice that cannot be bad. The leaf must stay
    one all the same, since a technician may look at his splice and say so.
    """
    if leaf.site < 0 and not leaf.folded:
        found = tuple(builder.nodes[part] for part in leaf.parts)
    else:
        found = builder.tied[leaf.name]
    return found or (builder.nodes[UNLISTED],)


class Census:
    """In which state every node is under no fault, every single fault and every pair.

    Attributes:
        sets: the fault sets.
        weight: (sets,) their rough priors.
        readings: (sets, columns, 2) what is read under each.
        state: node name -> (sets,) state.
    """

    def __init__(self, behaviour: Behaviour, nodes: Mapping[str, Node]) -> None:
        """Works out all states.

        Args:
            behaviour: the machine's readings.
            nodes: all nodes, parents before children.
        """
        self.behaviour = behaviour
        n = len(behaviour.faults)
        part_of = behaviour.part_of
        self.sets: list[FaultSet] = [(), *((f,) for f in range(n))]
        self.sets += [p for p in combinations(range(n), 2) if part_of[p[0]] != part_of[p[1]]]
        self.weight = np.array([weight_of(behaviour, one) for one in self.sets])
        index = np.array([(*one, n, n)[:2] for one in self.sets])
        self.readings = behaviour.pairs[index[:, 0], index[:, 1]]
        self.state = states_of(behaviour, nodes, index)
        self._rare: dict[FaultSet, int] = {}
        self._rare_readings = self.readings[:0]

    def look_up(self, tied: set[tuple[Node, ...]]) -> None:
        """Solve, once each, the fault sets of combinations that no pair reaches."""
        wanted: dict[FaultSet, int] = {}
        for parents in tied:
            for union in self._unreached(parents)[1]:
                wanted.setdefault(union, len(wanted))
        self._rare = wanted
        self._rare_readings = self.behaviour.readings(list(wanted))

    def _cells(self, parents: tuple[Node, ...]) -> NDArray[np.int64]:
        """(sets,) combination of the parents' states that each fault set leads to."""
        cell = np.zeros(len(self.sets), dtype=np.int64)
        for node in parents:
            cell = cell * len(node.sets) + self.state[node.name]
        return cell

    def _unreached(self, parents: tuple[Node, ...]) -> tuple[NDArray[np.int64], list[FaultSet]]:
        n_cells = math.prod(len(node.sets) for node in parents)
        empty = np.flatnonzero(np.bincount(self._cells(parents), minlength=n_cells) == 0)
        combos = list(product(*(node.sets for node in parents)))
        return empty, [_union(combos[c]) for c in empty]

    def summary(
        self, leaf: Leaf, parents: tuple[Node, ...]
    ) -> tuple[NDArray[np.float64], Prediction | None]:
        """Table of a leaf over its parents' states, and the readings behind it."""
        shape = tuple(len(node.sets) for node in parents)
        n_cells = math.prod(shape)
        empty, unions = self._unreached(parents)
        rare = [self._rare[union] for union in unions]
        cell = np.concatenate([self._cells(parents), empty])
        values = np.concatenate(
            [self.readings[:, leaf.column], self._rare_readings[rare, leaf.column]]
        )
        weight = np.concatenate([self.weight, np.ones(len(empty))])
        total = np.bincount(cell, weight, n_cells)
        chances = self._chances(leaf, values)

        def mean_of(column: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.bincount(cell, weight * column, n_cells) / total

        table = np.stack([mean_of(chances[:, k]) for k in range(chances.shape[1])], axis=-1)
        table = table.reshape(*shape, -1)
        if leaf.test is None or leaf.test.unit is None:
            return table, None
        both = [
            _by_outcome(leaf.test, values[:, v], cell, weight / total[cell], n_cells)
            for v in (0, 1)
        ]
        parts = (np.stack(one, axis=-1) for one in zip(*both, strict=True))
        return table, Prediction(*(one.reshape(*shape, *one.shape[1:]) for one in parts))

    def _chances(self, leaf: Leaf, values: NDArray[np.float64]) -> NDArray[np.float64]:
        if leaf.test is None:
            return check_chances(values) if leaf.check else complaint_chances(values)
        return outcome_chances(leaf.test, values)


def _by_outcome(
    test: Test,
    values: NDArray[np.float64],
    cell: NDArray[np.int64],
    share: NDArray[np.float64],
    n_cells: int,
) -> tuple[NDArray[np.float64], ...]:
    """Mean, deviation and share, each (cells, outcomes), of the values in a cell and outcome."""
    n_bins = len(limits_of(test)) + 1
    group = cell * n_bins + bin_of(test, values)

    def total(column: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.bincount(group, column, n_cells * n_bins).astype(np.float64, copy=False)

    weight = total(share)
    some = np.maximum(weight, 1e-300)
    mean = total(share * values) / some
    deviation = np.sqrt(total(share * (values - mean[group]) ** 2) / some)
    return tuple(one.reshape(n_cells, n_bins) for one in (mean, deviation, weight))


def _union(sets: tuple[FaultSet, ...]) -> FaultSet:
    found: FaultSet = ()
    for one in sets:
        found = join(found, one)
    return found


def states_of(
    behaviour: Behaviour, nodes: Mapping[str, Node], index: NDArray[np.int64]
) -> dict[str, NDArray[np.int64]]:
    """State of every node under fault sets given as (sets, width) fault numbers.

    `len(behaviour.faults)` stands for no fault.
    """
    state: dict[str, NDArray[np.int64]] = {}
    for node in nodes.values():
        if node.parents:
            state[node.name] = node.table[tuple(state[parent] for parent in node.parents)]
            continue
        own = np.zeros(len(behaviour.faults) + 1, dtype=np.int64)
        for k, one in enumerate(node.sets):
            own[list(one)] = k
        state[node.name] = own[index].max(axis=1)
    return state


def _node_family(behaviour: Behaviour, node: Node) -> Family:
    table = np.eye(len(node.sets))[node.table]
    return Family.build(node.name, _state_names(behaviour, node.sets), node.parents, table)


def _state_names(behaviour: Behaviour, sets: tuple[FaultSet, ...]) -> list[str]:
    names = ["_and_".join("_".join(behaviour.faults[f]) for f in one) or "ok" for one in sets]
    return [name if names.count(name) == 1 else f"{name}_{k}" for k, name in enumerate(names)]


def _leaf_family(leaf: Leaf, parents: tuple[str, ...], chances: NDArray[np.float64]) -> Family:
    states: tuple[str, ...] = (YES, NO)
    if leaf.test is not None:
        states = tuple(outcome.id for outcome in leaf.test.outcomes)
    return Family.build(leaf.name, states, parents, chances)


def _check_names(families: list[Family]) -> None:
    seen: set[str] = set()
    for family in families:
        if family.node in seen:
            raise NetworkError(
                f"two nodes would be called {family.node!r}; rename the test, part or complaint",
                family.node,
            )
        seen.add(family.node)
