"""From a machine to a compact Bayesian network for other programs.

Roots are shared causes, parts and how loose joints stand, leaves are tests and complaints,
everything between is deterministic (`diagnose.export.nodes`) and has at most two parents. The
network is exact for single faults and close for several; `diagnose.export.accuracy` measures how
close.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.wiring import make_sites, make_trees
from diagnose.errors import NetworkError, NetworkTooLargeError
from diagnose.export.census import Census
from diagnose.export.classes import BUDGET
from diagnose.export.leaves import Leaf, make_leaves
from diagnose.export.nodes import Node, NodeBuilder, make_stretches
from diagnose.export.pairs import PairTable, make_pairs
from diagnose.export.roots import root_families
from diagnose.export.yardstick import make_yardstick
from diagnose.faults.behaviour import make_behaviour
from diagnose.faults.manners import SHARES
from diagnose.faults.outcomes import cause_chances
from diagnose.faults.words import NO, UNLISTED, YES
from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Family, Network

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from diagnose.faults.behaviour import Behaviour, FaultSet
    from diagnose.machine.model import Machine


JOINTS, STANDS = "loose_joints", ("come_and_go", "touch", "are_apart")
"""How loose joints stand through a job, see `diagnose.faults.manners`; the tests that show it hang
on it."""

SAME_CHANCE = 1e-9
"""Chances that differ by no more with how joints stand do not depend on it."""


def compact_network(machine: Machine, budget: float = BUDGET) -> Network:
    """The network of a machine, with a root for how loose joints stand where it can be answered so.

    Args:
        machine: the machine; every pair of its faults is solved, which takes seconds.
        budget: what one merging of states may get wrong, see `diagnose.export.classes`; smaller is
            closer and larger.

    Raises:
        CircuitError: wiring that cannot be solved.
        NetworkError: names that collide, priors that do not add up.
    """
    pairs = make_pairs(make_behaviour(machine))
    network = network_of(pairs, budget, joints=True)
    try:
        compile_network(network)
    except NetworkTooLargeError:
        network = network_of(pairs, budget)
    return network


def network_of(pairs: PairTable, budget: float = BUDGET, *, joints: bool = False) -> Network:
    """The network of a machine whose pairs are solved; the rest as `compact_network`.

    Args:
        pairs: of the machine.
        budget: as in `compact_network`.
        joints: whether to have a root for how loose joints stand; without it they stand anew at
            each test, and steady readings count as so many looks.
    """
    machine = pairs.behaviour.machine
    trees = make_trees(machine)
    across = [part for part, _, _ in (*trees.across, *trees.odd_loads)]
    if across:
        raise NetworkError(
            f"the network goes along the wiring, and {', '.join(across)} close a loop there or lie "
            "across; advice, trials and reviews need no network",
            across[0],
        )
    leaves = make_leaves(pairs, make_sites(machine))
    builder = make_nodes(pairs, leaves, budget)
    census = Census(pairs, builder.nodes)
    hung = {leaf.name: _leaf_parents(builder, leaf) for leaf in leaves if leaf.column >= 0}
    census.look_up(hung.values())
    families = list(root_families(machine))
    families += [
        _node_family(pairs.behaviour, node) for node in builder.nodes.values() if node.parents
    ]
    for leaf in leaves:
        if leaf.test is not None and leaf.test.cause is not None:
            families.append(_leaf_family(leaf, (leaf.test.cause,), cause_chances(leaf.test)))
        else:
            parents = hung[leaf.name]
            names = tuple(node.name for node in parents)
            table = census.tables(leaf, parents)
            if joints and np.ptp(table, axis=-2).max() > SAME_CHANCE:
                families.append(_leaf_family(leaf, (*names, JOINTS), table))
            else:
                families.append(_leaf_family(leaf, names, np.tensordot(table, SHARES, (-2, 0))))
    if any(JOINTS in family.parents for family in families):
        families.insert(0, Family.build(JOINTS, STANDS, (), SHARES))
    _check_names(families)
    return Network(tuple(families))


def make_nodes(pairs: PairTable, leaves: Sequence[Leaf], budget: float) -> NodeBuilder:
    """All deterministic nodes that the leaves will hang on."""
    tied = [leaf for leaf in leaves if leaf.site >= 0]
    columns = list(dict.fromkeys(leaf.column for leaf in tied))
    folded = [leaf for leaf in leaves if leaf.folded]
    site_of = {leaf.column: leaf.site for leaf in reversed(tied)}
    stretches, stretch_of = make_stretches(pairs.behaviour.machine, set(site_of.values()))
    yardstick = make_yardstick(pairs, columns + [leaf.column for leaf in folded])
    anchored = {i: stretch_of[site_of[c]] for i, c in enumerate(columns)}
    builder = NodeBuilder(yardstick, stretches, anchored, budget)
    builder.build()
    for leaf in tied:
        builder.tie(leaf.name, stretch_of[leaf.site])
    for i, leaf in enumerate(folded):
        builder.fold(leaf.name, leaf.parts, len(columns) + i)
    return builder


def _leaf_parents(builder: NodeBuilder, leaf: Leaf) -> tuple[Node, ...]:
    """What a leaf hangs on; where nothing can change it, on what the file does not list."""
    if leaf.site < 0 and not leaf.folded:
        parents = tuple(builder.nodes[part] for part in leaf.parts)
    else:
        parents = builder.tied[leaf.name]
    return parents or (builder.nodes[UNLISTED],)


def _node_family(behaviour: Behaviour, node: Node) -> Family:
    table = np.eye(len(node.sets))[node.table]
    return Family.build(node.name, _state_names(behaviour, node.sets), node.parents, table)


def _state_names(behaviour: Behaviour, sets: tuple[FaultSet, ...]) -> list[str]:
    """Names that the format of the file can carry: the faults that stand for each state."""
    names = ["_and_".join("_".join(behaviour.faults[f]) for f in faults) or "ok" for faults in sets]
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
