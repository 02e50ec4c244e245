"""Which rows of a clique can be non-zero, by joining the supports of the tables.

A relation is a set of rows, each one combination of states of a few nodes. The dense table of a
clique is never allocated: its rows are found by joining the non-zero entries of the conditional
tables, the way a database joins tables. Joining from the outer cliques inwards and then removing
outwards what has no partner (Yannakakis 1981) leaves exactly the rows that belong to some
combination of all nodes with a probability above zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import NetworkTooLargeError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from diagnose.inference.families import Network

IntRows = NDArray[np.int32]
Codes = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Relation:
    """Distinct combinations of states.

    Attributes:
        scope: node indices, one per column.
        rows: int32 array of shape (rows, len(scope)).
    """

    scope: tuple[int, ...]
    rows: IntRows

    def columns(self, nodes: Sequence[int]) -> IntRows:
        """The columns of the given nodes, in their order."""
        return self.rows[:, [self.scope.index(node) for node in nodes]]


def codes(columns: IntRows, cards: Sequence[int]) -> Codes:
    """One int64 per row: equal exactly where rows are equal, ordered as the rows are.

    Mixed radix while it fits, ranks of the columns so far where it would not.
    """
    code = np.zeros(len(columns), dtype=np.int64)
    span = 1
    for column, card in enumerate(cards):
        if span > (1 << 62) // max(card, 1):
            _, code = np.unique(code, return_inverse=True)
            span = int(code.max(initial=0)) + 1
        code = code * card + columns[:, column]
        span *= card
    return code


def _shared_codes(
    left: Relation, right: Relation, shared: Sequence[int], cards: Sequence[int]
) -> tuple[Codes, Codes]:
    """Codes of the shared columns that can be compared between the two relations."""
    both = np.concatenate([left.columns(shared), right.columns(shared)])
    code = codes(both, [cards[node] for node in shared])
    return code[: len(left.rows)], code[len(left.rows) :]


def join(left: Relation, right: Relation, cards: Sequence[int], limit: int) -> Relation:
    """Every pair of rows that agree on the nodes they share.

    Raises:
        NetworkTooLargeError: when more than `limit` rows would be made; none is made then.
    """
    shared = [node for node in left.scope if node in right.scope]
    extra = [node for node in right.scope if node not in left.scope]
    key_left, key_right = _shared_codes(left, right, shared, cards)
    order = np.argsort(key_right, kind="stable")
    ordered = key_right[order]
    start = np.searchsorted(ordered, key_left, side="left")
    count = np.searchsorted(ordered, key_left, side="right") - start
    total = int(count.sum())
    scope = (*left.scope, *extra)
    if total > limit:
        raise NetworkTooLargeError(total, limit, [str(node) for node in scope])
    from_left = np.repeat(np.arange(len(left.rows)), count)
    within = np.arange(total) - np.repeat(np.cumsum(count) - count, count)
    from_right = order[np.repeat(start, count) + within]
    rows = np.hstack([left.rows[from_left], right.columns(extra)[from_right]])
    return Relation(scope, rows)


def semijoin(left: Relation, right: Relation, cards: Sequence[int]) -> Relation:
    """The rows of `left` that have a partner in `right`."""
    shared = [node for node in left.scope if node in right.scope]
    key_left, key_right = _shared_codes(left, right, shared, cards)
    keep = np.isin(key_left, key_right)
    return left if bool(keep.all()) else Relation(left.scope, left.rows[keep])


def project(relation: Relation, nodes: Sequence[int], cards: Sequence[int]) -> Relation:
    """The distinct rows over some of the nodes, in ascending order."""
    columns = relation.columns(nodes)
    _, first = np.unique(codes(columns, [cards[node] for node in nodes]), return_index=True)
    return Relation(tuple(nodes), np.ascontiguousarray(columns[first]))


def join_all(relations: Iterable[Relation], cards: Sequence[int], limit: int) -> Relation:
    """Joins relations, next always the one expected to leave the fewest rows."""
    left = sorted(relations, key=lambda relation: len(relation.rows))
    made = left.pop(0)
    while left:
        held = set(made.scope)

        def growth(relation: Relation, held: set[int] = held) -> tuple[float, int]:
            keys = math.prod(cards[node] for node in relation.scope if node in held)
            return len(relation.rows) / keys, -len(held.intersection(relation.scope))

        following = min(left, key=growth)
        left = [relation for relation in left if relation is not following]
        if held.issuperset(following.scope):
            made = semijoin(made, following, cards)
        else:
            made = join(made, following, cards, limit)
    return made


def table_supports(network: Network, nodes: Iterable[int]) -> dict[int, Relation]:
    """The non-zero entries of each node's table, without states that cannot occur at all."""
    wanted = set(nodes)
    possible: dict[int, NDArray[np.bool_]] = {}
    supports = {}
    for node in network.topological_order:
        if node not in wanted:
            continue
        above = network.parents[node]
        rows = np.argwhere(network.families[node].table > 0.0).astype(np.int32)
        for axis, parent in enumerate(above):
            rows = rows[possible[parent][rows[:, axis]]]
        possible[node] = np.zeros(network.cards[node], dtype=np.bool_)
        possible[node][rows[:, -1]] = True
        supports[node] = Relation((*above, node), rows)
    return supports


def reduced(
    network: Network,
    supports: Mapping[int, Relation],
    cliques: Sequence[frozenset[int]],
    parent: Sequence[int],
    limit: int,
) -> list[Relation]:
    """Rows of every clique, each part of some possible combination of all nodes.

    Args:
        network: the network.
        supports: the non-zero entries of each member's table, see `table_supports`.
        cliques: members of each clique, parents before children.
        parent: index of each clique's parent, -1 for a root.
        limit: most rows any clique, and all together, may have on the way.

    Raises:
        NetworkTooLargeError: naming the nodes of the clique that is too large.
    """
    cards = network.cards
    messages: list[list[Relation]] = [[] for _ in cliques]
    made: list[Relation] = [Relation((), np.zeros((0, 0), np.int32))] * len(cliques)
    total = 0
    for place in reversed(range(len(cliques))):
        members = sorted(cliques[place])
        inside = [
            project(held, [node for node in held.scope if node in cliques[place]], cards)
            for held in map(supports.__getitem__, members)
        ]
        try:
            made[place] = join_all([*inside, *messages[place]], cards, limit)
        except NetworkTooLargeError as error:
            raise _too_large(network, error.rows, limit, members) from None
        total += len(made[place].rows)
        if total > limit:
            raise _too_large(network, total, limit, members)
        messages[place].clear()
        if parent[place] >= 0:
            separator = sorted(cliques[place] & cliques[parent[place]])
            messages[parent[place]].append(project(made[place], separator, cards))
    for place in range(len(cliques)):
        if parent[place] >= 0:
            made[place] = semijoin(made[place], made[parent[place]], cards)
    return made


def _too_large(
    network: Network, rows: int, limit: int, members: Iterable[int]
) -> NetworkTooLargeError:
    return NetworkTooLargeError(rows, limit, [network.families[node].node for node in members])
