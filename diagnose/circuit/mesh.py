"""How to solve a resistive circuit by star-mesh elimination: the order, and what is done to what.

Eliminating a net that is joined to its neighbours by conductances g_i turns the star into a mesh
with g_ij += g_i g_j / sum(g), and hands its injected current on in proportion (Rosen 1924). Only
positive numbers are added, multiplied and divided, so there is no cancellation even where
10 megohm meters hang beside half a milliohm of cable; Gaussian elimination on the nodal matrix
would lose those digits (Grassmann, Taksar & Heyman 1985 make the same point for Markov chains).

Vehicle wiring is almost a tree, so with a minimum-degree order there is next to no fill and one
solution costs a few hundred operations. The order and the list of operations depend only on the
topology: a `MeshPlan` is made once, and solved for any element values.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from diagnose.circuit.codes import REFERENCE

if TYPE_CHECKING:
    from collections.abc import Iterable

Ints = NDArray[np.int32]


class MeshPlan(NamedTuple):
    """How to solve one topology, as compiled code takes it.

    Attributes:
        n_nets: nets besides the reference.
        n_edges: edges between nets, fill included.
        place: (elements,) the edge each lies on; -1 - net for an element to the reference;
            `n_edges` for an element with both ends on one net (no effect).
        star: (nets,) the nets in the order of elimination.
        arms: (nets + 1,) where the arms of each star begin.
        arm_net, arm_edge: (arms,) neighbour still present, and the edge towards it.
        meshes: (nets + 1,) where the mesh of each star begins.
        mesh: (mesh edges, 3) edge of one arm, edge of another, edge between their ends.
    """

    n_nets: int
    n_edges: int
    place: Ints
    star: Ints
    arms: Ints
    arm_net: Ints
    arm_edge: Ints
    meshes: Ints
    mesh: Ints


def make_plan(n_nets: int, elements: Iterable[tuple[int, int]]) -> MeshPlan:
    """Order and operations for a topology: nets besides the reference, the two of each element.

    The net with the fewest arms goes first, ties to the lower number.
    """
    ends = list(elements)
    graph: list[set[int]] = [set() for _ in range(n_nets)]
    for a, b in ends:
        if a != b and REFERENCE not in {a, b}:
            graph[a].add(b)
            graph[b].add(a)
    edges: dict[tuple[int, int], int] = {}

    def edge(a: int, b: int) -> int:
        return edges.setdefault((a, b) if a < b else (b, a), len(edges))

    stars, left = [], set(range(n_nets))
    arms: list[tuple[int, int]] = []
    mesh: list[tuple[int, int, int]] = []
    starts = [(0, 0)]
    while left:
        net = min(left, key=lambda each: (len(graph[each]), each))
        left.discard(net)
        around = sorted(graph[net])
        arms += ((each, edge(net, each)) for each in around)
        mesh += ((edge(net, a), edge(net, b), edge(a, b)) for a, b in combinations(around, 2))
        starts.append((len(arms), len(mesh)))
        stars.append(net)
        for each in around:
            graph[each] |= graph[net] - {each}
            graph[each].discard(net)
    place = [
        len(edges) if a == b else -1 - max(a, b) if REFERENCE in {a, b} else edge(a, b)
        for a, b in ends
    ]
    arm_start, mesh_start = np.array(starts, dtype=np.int32).T.copy()
    arm = np.array(arms, dtype=np.int32).reshape(-1, 2)
    return MeshPlan(
        n_nets=n_nets,
        n_edges=len(edges),
        place=np.array(place, dtype=np.int32),
        star=np.array(stars, dtype=np.int32),
        arms=arm_start,
        arm_net=arm[:, 0].copy(),
        arm_edge=arm[:, 1].copy(),
        meshes=mesh_start,
        mesh=np.array(mesh, dtype=np.int32).reshape(-1, 3),
    )
