"""Joining cliques to a forest and finding their possible rows.

A spanning forest of greatest total separator size over the cliques of a triangulated graph has
the running intersection property: the cliques that hold a node are connected (Jensen & Jensen
1994, "Optimal junction trees").
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.errors import NetworkTooLargeError
from diagnose.inference.order import (
    absorbed,
    eliminate,
    free_weight,
    maximal_cliques,
    min_fill,
    min_rows,
    moral_graph,
)
from diagnose.inference.support import Relation, reduced, table_supports

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.inference.families import Network

WORTH_A_CLIQUE = 500
"""Rows that are walked over in the time that one clique more takes by itself."""

LARGEST_LOG = 700.0
"""Natural logarithm up to which a number of rows can be told as a double."""


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
        (left, right)
        for places in holding.values()
        for position, left in enumerate(places)
        for right in places[position + 1 :]
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
    for left, right in ranked:
        first, second = top(left), top(right)
        if first != second:
            group[first] = second
            edges.append((left, right))
    return edges


def rooted(
    count: int, edges: Sequence[tuple[int, int]], sizes: Sequence[float]
) -> tuple[list[int], list[int]]:
    """Order (parents first) and parents of a forest, each tree rooted at its largest clique.

    Returns:
        The cliques in order, and for each position the position of its parent or -1.
    """
    near: list[list[int]] = [[] for _ in range(count)]
    for left, right in edges:
        near[left].append(right)
        near[right].append(left)
    position: dict[int, int] = {}
    order: list[int] = []
    parent: list[int] = []
    for root in sorted(range(count), key=lambda place: (-sizes[place], place)):
        if root in position:
            continue
        stack = [(root, -1)]
        while stack:
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
    return [
        frozenset(above) if node in network.leaves else frozenset((*above, node))
        for node, above in enumerate(network.parents)
    ]


def build_forest(network: Network, max_rows: int) -> Forest:
    """The forest of the elimination order whose cliques have the fewest possible rows.

    Args:
        network: the families.
        max_rows: most rows that the cliques may have together.

    Raises:
        NetworkTooLargeError: when each order tried needs more than `max_rows` rows.
    """
    nodes = [node for node in range(len(network.cards)) if node not in network.leaves]
    graph = moral_graph(nodes, scopes_to_cover(network))
    weights = [math.log(card) for card in network.cards]
    functions = network.functions

    def rows(clique: frozenset[int]) -> float:
        return math.exp(min(free_weight(clique, weights, functions), LARGEST_LOG))

    spare = min(WORTH_A_CLIQUE, max_rows // 1000)
    supports = table_supports(network, nodes)
    best: Forest | None = None
    refused: NetworkTooLargeError | None = None
    for score in (min_fill(weights), min_rows(weights, functions)):
        cliques = maximal_cliques(eliminate(graph, score))
        edges = spanning_forest(cliques, [rows(clique) for clique in cliques])
        cliques = absorbed(cliques, edges, rows, spare)
        sizes = [rows(clique) for clique in cliques]
        order, parent = rooted(len(cliques), spanning_forest(cliques, sizes), sizes)
        limit = max_rows if best is None else min(max_rows, 4 * best.rows)
        try:
            relations = reduced(network, supports, [cliques[i] for i in order], parent, limit)
        except NetworkTooLargeError as error:
            refused = refused or error
            continue
        forest = Forest(tuple(relations), tuple(parent))
        if best is None or forest.rows < best.rows:
            best = forest
    if best is None:
        raise refused or NetworkTooLargeError(0, max_rows, ())
    return best
