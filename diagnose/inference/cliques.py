"""Joining cliques to a forest and choosing its roots.

A spanning forest of greatest total separator size over the cliques of a triangulated graph has
the running intersection property: the cliques that hold a node are connected (Jensen & Jensen
1994, "Optimal junction trees").
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkTooLargeError
from diagnose.inference.order import (
    Score,
    absorbed,
    eliminate,
    free_weight,
    log_sizes,
    maximal_cliques,
    min_fill,
    min_rows,
    min_weight,
    moral_graph,
)
from diagnose.inference.support import CliqueSupports, Relation, project

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from diagnose.inference.families import Network


@dataclass(frozen=True, slots=True, eq=False)
class Forest:
    """Cliques, parents before children.

    Attributes:
        relations: the possible rows of each clique.
        parent: index of each clique's parent, -1 for a root.
    """

    relations: tuple[Relation, ...]
    parent: tuple[int, ...]

    @property
    def rows(self) -> int:
        """All rows together."""
        return sum(len(relation.rows) for relation in self.relations)


def spanning_forest(
    cliques: Sequence[frozenset[int]], sizes: Sequence[float]
) -> list[tuple[int, int]]:
    """Edges of a spanning forest of greatest separator size.

    Args:
        cliques: members of each clique.
        sizes: rows of each clique; among equal separators, small cliques are joined first,
            because an edge costs as much as its parent has rows.
    """
    holding: dict[int, list[int]] = {}
    for place, clique in enumerate(cliques):
        for node in clique:
            holding.setdefault(node, []).append(place)
    pairs = {
        (one, two)
        for places in holding.values()
        for position, one in enumerate(places)
        for two in places[position + 1 :]
    }
    ranked = sorted(
        pairs,
        key=lambda pair: (
            -len(cliques[pair[0]] & cliques[pair[1]]),
            sizes[pair[0]] + sizes[pair[1]],
            pair,
        ),
    )
    group = list(range(len(cliques)))

    def top(place: int) -> int:
        while group[place] != place:
            group[place] = group[group[place]]
            place = group[place]
        return place

    edges = []
    for one, two in ranked:
        first, second = top(one), top(two)
        if first != second:
            group[first] = second
            edges.append((one, two))
    return edges


def rooted(
    count: int, edges: Sequence[tuple[int, int]], sizes: Sequence[float]
) -> tuple[list[int], list[int]]:
    """Order (parents first) and parents of a forest, each tree rooted at its largest clique.

    Returns:
        The cliques in order, and for each position the position of its parent or -1.
    """
    near: list[list[int]] = [[] for _ in range(count)]
    for one, two in edges:
        near[one].append(two)
        near[two].append(one)
    position: dict[int, int] = {}
    order: list[int] = []
    parent: list[int] = []
    for root in sorted(range(count), key=lambda place: (-sizes[place], place)):
        if root in position:
            continue
        stack = [(root, -1)]
        while stack:  # depth first, so that a clique follows its parent closely in memory
            place, above = stack.pop()
            position[place] = len(order)
            order.append(place)
            parent.append(position[above] if above >= 0 else -1)
            stack.extend((other, place) for other in near[place] if other not in position)
    return order, parent


def scopes_to_cover(network: Network) -> list[frozenset[int]]:
    """Sets of nodes that must lie in one clique each.

    Leaves are left out of the forest: unobserved they are barren, observed they are a likelihood
    over their parents. So their parents must lie together, and every other node with its own.
    """
    leaves = set(network.leaves)
    return [
        frozenset(above) if node in leaves else frozenset((*above, node))
        for node, above in enumerate(network.parents)
    ]


def build_forest(
    network: Network, max_rows: int, stages: Mapping[int, int] | None = None
) -> Forest:
    """The forest of the elimination order whose cliques have the fewest possible rows.

    Args:
        network: the families.
        max_rows: most rows that the cliques may have together.
        stages: node -> stage; nodes of an earlier stage are summed out first. For who knows the
            structure; without it the usual greedy orders compete.

    Raises:
        NetworkTooLargeError: when each order tried needs more than `max_rows` rows.
    """
    leaves = set(network.leaves)
    nodes = [node for node in range(len(network.cards)) if node not in leaves]
    graph = moral_graph(nodes, scopes_to_cover(network))
    weights = log_sizes(network.cards)
    functions = network.functions
    orders: list[tuple[Score, Mapping[int, int] | None]] = [
        (min_fill(weights), None),
        (min_weight(weights), None),
    ]
    if stages is not None:
        orders = [(min_rows(weights, functions), stages)]
    elif functions:
        orders.append((min_rows(weights, functions), None))

    def rows(clique: frozenset[int]) -> float:
        return math.exp(min(free_weight(clique, weights, functions), 700.0))

    supports = CliqueSupports(network, nodes)
    best: Forest | None = None
    refused: NetworkTooLargeError | None = None
    tried: set[frozenset[frozenset[int]]] = set()
    for score, priority in orders:
        cliques = maximal_cliques(eliminate(graph, score, priority))
        if functions:
            sizes = [rows(clique) for clique in cliques]
            cliques = absorbed(cliques, spanning_forest(cliques, sizes), rows)
        if frozenset(cliques) in tried:
            continue
        tried.add(frozenset(cliques))
        limit = max_rows if best is None else min(max_rows, 4 * best.rows)
        try:
            forest = _supported(supports, cliques, weights, limit)
        except NetworkTooLargeError as error:
            refused = refused or error
            continue
        if best is None or forest.rows < best.rows:
            best = forest
    if best is None:
        raise refused or NetworkTooLargeError(0, max_rows, ())
    return with_hubs(_rejoined(best), network.cards)


def _supported(
    supports: CliqueSupports,
    cliques: Sequence[frozenset[int]],
    log_cards: Sequence[float],
    limit: int,
) -> Forest:
    """The cliques with their possible rows, joined by what they would hold if all were possible."""
    sizes = [sum(log_cards[node] for node in clique) for clique in cliques]
    order, parent = rooted(len(cliques), spanning_forest(cliques, sizes), sizes)
    relations = supports.reduce([cliques[place] for place in order], parent, limit)
    return Forest(tuple(relations), tuple(parent))


def _rejoined(forest: Forest) -> Forest:
    """The same cliques joined anew, now that their true sizes are known."""
    sizes = [float(len(relation.rows)) for relation in forest.relations]
    cliques = [frozenset(relation.scope) for relation in forest.relations]
    order, parent = rooted(len(cliques), spanning_forest(cliques, sizes), sizes)
    return Forest(tuple(forest.relations[place] for place in order), tuple(parent))


def with_hubs(forest: Forest, cards: Sequence[int]) -> Forest:
    """Puts a small clique between a large one and several children that hang on like nodes.

    Each child costs a pass over its parent's rows. Children whose separators lie in one common
    separator can share that pass: a hub clique over the separator takes their messages and hands
    one on. (Binary join trees: Shenoy 1997.)
    """
    children: list[list[int]] = [[] for _ in forest.relations]
    for place, above in enumerate(forest.parent):
        if above >= 0:
            children[above].append(place)
    relations = list(forest.relations)
    parent = list(forest.parent)
    for place, below in enumerate(children):
        members = set(forest.relations[place].scope)
        separators = {child: members.intersection(forest.relations[child].scope) for child in below}
        waiting = set(below)
        for child in sorted(below, key=lambda one: (-len(separators[one]), one)):
            under = [one for one in waiting if separators[one] <= separators[child]]
            if child not in waiting or len(under) < 2 or separators[child] == members:
                continue
            hub = project(forest.relations[place], sorted(separators[child]), cards)
            saved = (len(under) - 1) * len(forest.relations[place].rows)
            if saved <= (len(under) + 1) * len(hub.rows):
                continue
            for one in under:
                parent[one] = len(relations)
            parent.append(place)
            relations.append(hub)
            waiting.difference_update(under)
    order, above_of = _sorted_forest(parent)
    return Forest(tuple(relations[place] for place in order), tuple(above_of))


def _sorted_forest(parent: Sequence[int]) -> tuple[list[int], list[int]]:
    """Parents before children again, after cliques were put between."""
    edges = [(place, above) for place, above in enumerate(parent) if above >= 0]
    is_root = np.array([1.0 if above < 0 else 0.0 for above in parent])
    return rooted(len(parent), edges, is_root.tolist())
