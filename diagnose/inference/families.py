"""A discrete Bayesian network as plain frozen tables: one `Family` per node.

The table of a family is `P(node | parents)` as an array of shape `(*parent cards, own card)`,
so `table[a, b]` is the distribution of the node when its parents are in states `a` and `b`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.errors import NetworkError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import ArrayLike, NDArray

SUM_TOLERANCE = 1e-9
"""How far from 1 a row of a table may sum; what is left is renormalised exactly."""

ROUNDED_SUM_TOLERANCE = 0.0101
"""The same for tables of pgmpy models: their own check accepts an error of 0.01, and networks
printed with two or three decimals need it."""


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """A node, its states, its parents and its conditional table.

    Attributes:
        node: name of the node.
        states: names of its states, at least one, all different.
        parents: names of its parents in the order of the table's axes.
        table: read-only float64 array of shape `(*parent cards, len(states))`; rows sum to 1.
    """

    node: str
    states: tuple[str, ...]
    parents: tuple[str, ...]
    table: NDArray[np.float64]

    @classmethod
    def build(
        cls,
        node: str,
        states: Iterable[str],
        parents: Iterable[str],
        table: ArrayLike,
        *,
        tolerance: float = SUM_TOLERANCE,
    ) -> Family:
        """Checks and freezes one family.

        Args:
            node: name of the node.
            states: names of its states.
            parents: names of its parents, in the order of the axes of `table`.
            table: nonnegative numbers of shape `(*parent cards, own card)`.
            tolerance: how far from 1 the sum of a row may be before it is refused.

        Returns:
            The family with every row divided by its sum.

        Raises:
            NetworkError: naming the node, for NaN, infinite or negative entries, a wrong shape,
                rows that do not sum to 1, or names given twice.
        """
        names, above = tuple(states), tuple(parents)
        if not names or len(set(names)) != len(names):
            raise NetworkError(f"{node}: needs states that are all different, got {names}", node)
        if len(set(above)) != len(above) or node in above:
            raise NetworkError(f"{node}: parents {above} repeat or include the node itself", node)
        try:
            values = np.array(table, dtype=np.float64, order="C")
        except (TypeError, ValueError) as error:
            raise NetworkError(f"{node}: the table is not an array of numbers", node) from error
        if values.ndim != len(above) + 1 or values.shape[-1] != len(names):
            raise NetworkError(
                f"{node}: the table has shape {values.shape}, expected {len(above)} parent axes "
                f"and a last axis of {len(names)} states",
                node,
            )
        return cls(node, names, above, _normalised(node, values, tolerance))


def _normalised(node: str, values: NDArray[np.float64], tolerance: float) -> NDArray[np.float64]:
    """The table with rows that sum to 1 exactly (to the last bit or two), read-only."""
    if not np.isfinite(values).all() or (values < 0.0).any():
        raise NetworkError(f"{node}: the table has negative, infinite or NaN entries", node)
    sums = values.sum(axis=-1, keepdims=True)
    worst = float(np.abs(sums - 1.0).max(initial=0.0))
    if worst > tolerance:
        raise NetworkError(
            f"{node}: a row of the table is off by {worst:.3g} from a sum of 1; "
            f"expected at most {tolerance:g}",
            node,
        )
    values /= sums
    values.setflags(write=False)
    return values


@dataclass(frozen=True, eq=False)
class Network:
    """A checked collection of families: acyclic, every parent present, every shape right.

    Attributes:
        families: the families in the order given; node indices follow this order.
        index: node name -> its index.
    """

    families: tuple[Family, ...]
    index: Mapping[str, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        index = {family.node: place for place, family in enumerate(self.families)}
        for place, family in enumerate(self.families):
            if index[family.node] != place:
                raise NetworkError(f"{family.node}: there are two nodes of this name", family.node)
        object.__setattr__(self, "index", MappingProxyType(index))
        for family in self.families:
            self._check_parents(family)
        if len(self.topological_order) != len(self.families):
            stuck = set(range(len(self.families))) - set(self.topological_order)
            names = [self.families[i].node for i in sorted(stuck)]
            raise NetworkError(f"the arrows go round in a circle through {', '.join(names[:8])}")

    def _check_parents(self, family: Family) -> None:
        for axis, parent in enumerate(family.parents):
            if parent not in self.index:
                raise NetworkError(
                    f"{family.node}: its parent {parent!r} is not a node", family.node
                )
            card = len(self.families[self.index[parent]].states)
            if family.table.shape[axis] != card:
                raise NetworkError(
                    f"{family.node}: axis {axis} of the table has {family.table.shape[axis]} "
                    f"entries, but its parent {parent!r} has {card} states",
                    family.node,
                )

    @cached_property
    def functions(self) -> Mapping[int, frozenset[int]]:
        """The nodes that are deterministic functions of their parents, with those parents."""
        return MappingProxyType(
            {
                node: frozenset(self.index[parent] for parent in family.parents)
                for node, family in enumerate(self.families)
                if family.parents and bool(((family.table == 0.0) | (family.table == 1.0)).all())
            }
        )

    @cached_property
    def cards(self) -> tuple[int, ...]:
        """Number of states of each node, by index."""
        return tuple(len(family.states) for family in self.families)

    @cached_property
    def parents(self) -> tuple[tuple[int, ...], ...]:
        """Indices of each node's parents, in the order of its table's axes."""
        return tuple(tuple(self.index[p] for p in family.parents) for family in self.families)

    @cached_property
    def children(self) -> tuple[tuple[int, ...], ...]:
        """Indices of each node's children, ascending."""
        found: list[list[int]] = [[] for _ in self.families]
        for node, above in enumerate(self.parents):
            for parent in above:
                found[parent].append(node)
        return tuple(tuple(below) for below in found)

    @cached_property
    def topological_order(self) -> tuple[int, ...]:
        """Node indices with parents before children; shorter than the network if it is cyclic."""
        missing = [len(above) for above in self.parents]
        ready = [node for node, count in enumerate(missing) if count == 0]
        for node in ready:  # grows while it is read
            for child in self.children[node]:
                missing[child] -= 1
                if missing[child] == 0:
                    ready.append(child)
        return tuple(ready)

    @cached_property
    def leaves(self) -> frozenset[int]:
        """Indices of the nodes with parents and without children."""
        return frozenset(
            node for node, below in enumerate(self.children) if not below and self.parents[node]
        )

    def leaf_table(self, node: int) -> NDArray[np.float64]:
        """(parents' combinations, states) the table of a node with its parents' axes made one."""
        return self.families[node].table.reshape(-1, self.cards[node])


def from_pgmpy(model: Any) -> Network:
    """The families of a pgmpy `DiscreteBayesianNetwork`, which is only read.

    Works on anything with `nodes` and `get_cpds(node)`; pgmpy itself is not imported. Names of
    nodes and states become text. Rows may be off by 0.01 from a sum of 1, as pgmpy's own check
    allows, and are renormalised.

    Raises:
        NetworkError: when a node has no table or the tables are not a valid network.
    """
    families = []
    for node in model.nodes:
        cpd = model.get_cpds(node)
        if cpd is None:
            raise NetworkError(f"{node}: the model has no table for this node", str(node))
        own, *above = cpd.variables
        families.append(
            Family.build(
                str(node),
                (str(state) for state in cpd.state_names[own]),
                (str(parent) for parent in above),
                np.moveaxis(np.asarray(cpd.values, dtype=np.float64), 0, -1),
                tolerance=ROUNDED_SUM_TOLERANCE,
            )
        )
    network = Network(tuple(families))
    for node in model.nodes:
        _check_state_order(network, model.get_cpds(node))
    return network


def _check_state_order(network: Network, cpd: Any) -> None:
    """A table that numbers a parent's states differently from the parent itself is refused."""
    for parent in cpd.variables[1:]:
        own = network.families[network.index[str(parent)]].states
        met = tuple(str(state) for state in cpd.state_names[parent])
        if met != own:
            raise NetworkError(
                f"{cpd.variables[0]}: lists the states of {parent!r} as {met}, "
                f"the parent itself as {own}",
                str(cpd.variables[0]),
            )
