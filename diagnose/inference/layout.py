"""The forest as arrays: what the passes walk over.

There is one kind of step, the *projection*: each row `k` of a clique falls on entry `entry[k]` of
something smaller, a separator, a node's states or the combinations of a leaf's parents. Forwards
it sums, `out[entry[k]] += row[k]`; backwards it multiplies, `row[k] *= factor[entry[k]]`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.inference.support import Relation, codes

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from diagnose.inference.cliques import Forest
    from diagnose.inference.families import Network

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Clique:
    """The possible rows of one clique, in ascending order of their separator entries.

    Attributes:
        relation: the rows.
        parent: index of the parent clique, -1 for a root, whose separator is empty.
        up: (rows,) separator entry of each row.
        starts: (entries,) first row of each separator entry.
        down: (parent's rows,) separator entry of each of the parent's rows; empty for a root.
        log_rows: (rows,) log of what the tables multiplied into this clique say of each row.
    """

    relation: Relation
    parent: int
    up: Ints
    starts: Ints
    down: Ints
    log_rows: Reals


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A projection of a clique: onto a node's states, or onto combinations of some nodes'.

    Attributes:
        clique: index of the clique.
        entry: (rows of the clique,) the entry that each row falls on.
        size: number of entries.
    """

    clique: int
    entry: Ints
    size: int


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Cliques and views of one network.

    Attributes:
        cliques: parents before children.
        views: one for each node of the forest and each set of parents of a leaf.
        view_of: for each node its view: a leaf's is that of its parents' combinations.
    """

    cliques: tuple[Clique, ...]
    views: tuple[View, ...]
    view_of: tuple[int, ...]

    @property
    def rows(self) -> int:
        """Rows of all cliques together: what a pass walks over."""
        return sum(len(clique.log_rows) for clique in self.cliques)

    def smallest_clique(self, nodes: Collection[int]) -> int | None:
        """The clique with the fewest rows that holds all of some nodes, if any does."""
        return _smallest([clique.relation for clique in self.cliques], nodes)


def _smallest(relations: Sequence[Relation], nodes: Collection[int]) -> int | None:
    wanted = frozenset(nodes)
    return min(
        (place for place, held in enumerate(relations) if wanted.issubset(held.scope)),
        key=lambda place: (len(relations[place].rows), place),
        default=None,
    )


def lay_out(network: Network, forest: Forest) -> Layout:
    """The arrays of a network; tables are multiplied in, messages are not yet sent."""
    relations: list[Relation] = []
    separators: list[tuple[Ints, Ints]] = []
    for relation, above in zip(forest.relations, forest.parent, strict=True):
        own, up, down = _by_separator(network, relation, relations[above] if above >= 0 else None)
        relations.append(own)
        separators.append((up, down))
    log_rows = _multiplied(network, relations)
    cliques = tuple(
        Clique(relation, above, up, np.flatnonzero(np.diff(up, prepend=-1)), down, log_rows[place])
        for place, (relation, above, (up, down)) in enumerate(
            zip(relations, forest.parent, separators, strict=True)
        )
    )
    return Layout(cliques, *_views(network, relations))


def _by_separator(
    network: Network, relation: Relation, parent: Relation | None
) -> tuple[Relation, Ints, Ints]:
    """Rows sorted by separator entry, and that entry for the own and for the parent's rows."""
    if parent is None:
        return relation, np.zeros(len(relation.rows), np.int64), np.zeros(0, np.int64)
    shared = [node for node in relation.scope if node in parent.scope]
    both = np.concatenate([relation.columns(shared), parent.columns(shared)])
    code = codes(both, [network.cards[node] for node in shared])
    _, entry = np.unique(code, return_inverse=True)
    own, above = entry[: len(relation.rows)], entry[len(relation.rows) :]
    order = np.argsort(own, kind="stable")
    return Relation(relation.scope, relation.rows[order]), own[order], above


def _multiplied(network: Network, relations: Sequence[Relation]) -> list[Reals]:
    """Log of the product of all tables, each taken by the smallest clique that holds its nodes.

    Logarithms keep products of many small numbers from underflow. No row is impossible by its
    own tables, so none is -inf.
    """
    logs = [np.zeros(len(relation.rows)) for relation in relations]
    for node, above in enumerate(network.parents):
        home = None if node in network.leaves else _smallest(relations, (*above, node))
        if home is not None:
            columns = relations[home].columns((*above, node))
            logs[home] += np.log(network.families[node].table[tuple(columns.T)])
    return logs


def _views(
    network: Network, relations: Sequence[Relation]
) -> tuple[tuple[View, ...], tuple[int, ...]]:
    """All views, each once, and the one of each node."""
    views: list[View] = []
    place_of: dict[tuple[int, ...], int] = {}
    view_of = []
    for node, above in enumerate(network.parents):
        scope = above if node in network.leaves else (node,)
        if scope not in place_of:
            home = _smallest(relations, scope)
            if home is None:
                raise AssertionError(f"no clique holds {scope}")
            cards = tuple(network.cards[member] for member in scope)
            columns = relations[home].columns(scope).astype(np.int64)
            entry = np.ravel_multi_index(tuple(columns.T), cards)
            place_of[scope] = len(views)
            views.append(View(home, entry, int(np.prod(cards))))
        view_of.append(place_of[scope])
    return tuple(views), tuple(view_of)
