"""In which order to sum the nodes out, and the cliques that order makes.

Everything here is pure functions on sets of node indices. An order is judged by what the
cliques would hold if every row were possible; which rows really are is worked out later.

Source of the heuristics: Kjaerulff 1990, "Triangulation of graphs - algorithms giving small
total state space"; min-fill with ties broken by weight is among the best of them.
"""

from __future__ import annotations

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


def free_weight(
    members: Collection[int],
    log_cards: Sequence[float],
    functions: Mapping[int, Collection[int]],
) -> float:
    """Log-number of rows that can be non-zero among some nodes, as far as functions tell.

    A node that is a deterministic function of its parents adds no rows where they all are.

    Args:
        members: the nodes of a clique.
        log_cards: natural logarithm of each node's number of states.
        functions: for each deterministic node, its parents.
    """
    whole = frozenset(members)
    return sum(
        log_cards[node]
        for node in whole
        if node not in functions or not whole.issuperset(functions[node])
    )


def min_fill(log_cards: Sequence[float]) -> Score:
    """Scores by fill-in, ties by the log-size of the clique made."""
    return lambda graph, node: (
        float(fill_in(graph, node)),
        log_cards[node] + sum(log_cards[other] for other in graph[node]),
    )


def min_rows(log_cards: Sequence[float], functions: Mapping[int, Collection[int]]) -> Score:
    """Scores by the log-number of possible rows of the clique made, ties by fill-in."""
    return lambda graph, node: (
        free_weight(graph[node] | {node}, log_cards, functions),
        float(fill_in(graph, node)),
    )


def eliminate(graph: Graph, score: Score) -> list[tuple[int, frozenset[int]]]:
    """Sums the nodes out one by one, always the one that scores least.

    Args:
        graph: neighbours of each node; it is not changed.
        score: smaller is better.

    Returns:
        For each node, in order, the node and the clique it made: itself and the neighbours it
        had left.
    """
    left = {node: set(near) for node, near in graph.items()}
    rank = {node: (*score(left, node), node) for node in left}
    made = []
    while left:
        node = min(rank.values())[-1]
        near = left.pop(node)
        del rank[node]
        made.append((node, frozenset(near | {node})))
        new = [(a, b) for a in near for b in near if a < b and b not in left[a]]
        for other in near:
            left[other].discard(node)
            left[other] |= near - {other}
        touched = set(near)
        for a, b in new:  # a new edge changes the score of whoever sees both its ends
            touched |= left[a] & left[b]
        for other in touched:
            rank[other] = (*score(left, other), other)
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


def absorbed(
    cliques: Sequence[frozenset[int]],
    edges: Collection[tuple[int, int]],
    rows: Callable[[frozenset[int]], float],
    spare: float = 0.0,
) -> list[frozenset[int]]:
    """The cliques with neighbours made one wherever that adds no more than some spare rows.

    Along a chain of deterministic nodes neighbouring cliques often have the same free nodes;
    walking over both is work done twice. Merging neighbours keeps a clique tree a clique tree.

    Args:
        cliques: members of each clique.
        edges: a clique forest over them.
        rows: estimated number of rows of a clique.
        spare: rows that one clique fewer is worth.
    """
    held = dict(enumerate(cliques))
    cost = {place: rows(clique) for place, clique in held.items()}
    into = list(range(len(cliques)))

    def now(place: int) -> int:
        while into[place] != place:
            place = into[place]
        return place

    links = sorted(edges)
    merged = True
    while merged:
        merged = False
        for left, right in ((now(a), now(b)) for a, b in links):
            if left == right:
                continue
            both = held[left] | held[right]
            together = rows(both)
            if together <= cost[left] + cost[right] + spare:
                held[left], cost[left] = both, together
                del held[right], cost[right]
                into[right] = left
                merged = True
    return list(held.values())
