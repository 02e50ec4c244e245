"""In which order to sum the nodes out, and the cliques that order makes.

Everything here is pure functions on sets of node indices. An order is judged by what the
cliques would hold if every row were possible; which rows really are is found out later.

Source of the heuristics: Kjaerulff 1990, "Triangulation of graphs - algorithms giving small
total state space"; min-fill with ties broken by weight is among the best of them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence

Graph = dict[int, set[int]]
Score = Callable[[Graph, int], tuple[float, float]]


def moral_graph(nodes: Collection[int], scopes: Collection[Collection[int]]) -> Graph:
    """The graph in which the members of each scope are all joined to each other."""
    graph: Graph = {node: set() for node in nodes}
    for scope in scopes:
        members = set(scope)
        for node in members:
            graph[node] |= members - {node}
    return graph


def fill_in(graph: Graph, node: int) -> int:
    """How many edges summing out `node` would add: pairs of neighbours not yet joined."""
    near = graph[node]
    return sum(len(near) - 1 - len(near & graph[other]) for other in near) // 2


def min_fill(log_cards: Sequence[float]) -> Score:
    """Scores by fill-in, ties by the log-size of the clique made."""
    return lambda graph, node: (
        float(fill_in(graph, node)),
        log_cards[node] + sum(log_cards[other] for other in graph[node]),
    )


def min_weight(log_cards: Sequence[float]) -> Score:
    """Scores by the log-size of the clique made, ties by fill-in."""
    return lambda graph, node: (
        log_cards[node] + sum(log_cards[other] for other in graph[node]),
        float(fill_in(graph, node)),
    )


def eliminate(
    graph: Graph, score: Score, priority: Mapping[int, int] | None = None
) -> list[tuple[int, frozenset[int]]]:
    """Sums the nodes out one by one, always the one that scores least.

    Args:
        graph: neighbours of each node; it is not changed.
        score: smaller is better.
        priority: nodes with a smaller number go first whatever they score; 0 when not named.

    Returns:
        For each node, in order, the node and the clique it made: itself and the neighbours it
        had left.
    """
    left = {node: set(near) for node, near in graph.items()}
    first = priority or {}
    rank = {node: (first.get(node, 0), *score(left, node), node) for node in left}
    made = []
    while left:
        node = min(rank.values())[-1]
        near = left.pop(node)
        del rank[node]
        made.append((node, frozenset(near | {node})))
        touched = set(near)
        for other in near:
            left[other].discard(node)
            left[other] |= near - {other}
        for other in near:  # a fill-in edge changes the score of whoever sees both its ends
            touched |= left[other]
        for other in touched:
            rank[other] = (first.get(other, 0), *score(left, other), other)
    return made


def maximal_cliques(made: Sequence[tuple[int, frozenset[int]]]) -> list[frozenset[int]]:
    """The cliques of an elimination that lie in no other one, in order of elimination."""
    kept: list[frozenset[int]] = []
    holding: dict[int, list[int]] = {}
    for node, clique in made:
        # A larger clique over this one's members was made when one of them was still there,
        # so it was made earlier and holds `node`.
        if any(clique <= kept[other] for other in holding.get(node, ())):
            continue
        for member in clique:
            holding.setdefault(member, []).append(len(kept))
        kept.append(clique)
    return kept


def log_sizes(cards: Sequence[int]) -> list[float]:
    """Natural logarithm of each number of states."""
    return [math.log(card) for card in cards]
