"""Node voltages of a resistive circuit by star-mesh elimination.

Eliminating a net that is joined to its neighbours by conductances g_i turns the star into a mesh
with g_ij += g_i g_j / sum(g), and hands its injected current on in proportion (Rosen 1924). Only
positive numbers are added, multiplied and divided, so there is no cancellation even where
10 megohm meters hang beside half a milliohm of cable; Gaussian elimination on the nodal matrix
would lose those digits (Grassmann, Taksar & Heyman 1985 make the same point for Markov chains).

Vehicle wiring is almost a tree, so with a minimum-degree order there is next to no fill and one
solution costs a few hundred operations. The order and the list of operations depend only on the
topology: a `MeshPlan` is made once, and solved for many sets of element values at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

REFERENCE = -1
"""Net index of the battery's minus post: the zero every voltage is counted from."""


@dataclass(frozen=True, slots=True)
class Star:
    """A net as it is eliminated.

    Attributes:
        net: the net in the middle.
        arms: (neighbour net still present, edge towards it).
        mesh: (edge of one arm, edge of another, edge between their ends).
    """

    net: int
    arms: tuple[tuple[int, int], ...]
    mesh: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, slots=True)
class MeshPlan:
    """How to solve one topology.

    Attributes:
        n_nets: nets besides the reference.
        n_edges: edges between nets, fill included.
        places: for each element the edge it lies on; -1 - net for an element to the reference;
            `n_edges` for an element with both ends on one net (no effect).
        stars: the nets in the order of elimination.
    """

    n_nets: int
    n_edges: int
    places: tuple[int, ...]
    stars: tuple[Star, ...]


def make_plan(n_nets: int, elements: Iterable[tuple[int, int]]) -> MeshPlan:
    """Order and operations for a topology: nets besides the reference, the two of each element."""
    ends = list(elements)
    graph: list[set[int]] = [set() for _ in range(n_nets)]
    for a, b in ends:
        if a != b and REFERENCE not in {a, b}:
            graph[a].add(b)
            graph[b].add(a)
    edges: dict[tuple[int, int], int] = {}
    stars = _stars(graph, edges)
    places = [
        len(edges) if a == b else -1 - max(a, b) if REFERENCE in {a, b} else edges[_key(a, b)]
        for a, b in ends
    ]
    return MeshPlan(n_nets, len(edges), tuple(places), tuple(stars))


def _key(a: int, b: int) -> tuple[int, int]:
    return (a, b) if a < b else (b, a)


def _stars(graph: list[set[int]], edges: dict[tuple[int, int], int]) -> list[Star]:
    """Eliminate net by net, the one with the fewest arms first, ties to the lower number.

    Args:
        graph: neighbours of each net; emptied.
        edges: filled with the number of every edge met, fill included.
    """

    def edge(a: int, b: int) -> int:
        return edges.setdefault(_key(a, b), len(edges))

    stars = []
    left = set(range(len(graph)))
    while left:
        net = min(left, key=lambda one: (len(graph[one]), one))
        left.discard(net)
        around = sorted(graph[net])
        arms = tuple((one, edge(net, one)) for one in around)
        mesh = tuple(
            (edge(net, one), edge(net, two), edge(one, two)) for one, two in combinations(around, 2)
        )
        stars.append(Star(net, arms, mesh))
        for one in around:
            graph[one] |= graph[net] - {one}
            graph[one].discard(net)
    return stars


def solve(
    plan: MeshPlan,
    siemens: NDArray[np.float64],
    leak_siemens: float,
    amps_in: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Volts of every net against the reference, for many sets of element values at once.

    Args:
        plan: the topology.
        siemens: (elements, lanes) conductances, >= 0; a lane is one set of values.
        leak_siemens: conductance from every net to the reference, > 0 so that a floating net
            has a voltage at all.
        amps_in: (nets, lanes) current injected into each net.

    Returns:
        (nets, lanes) volts.
    """
    lanes = siemens.shape[1]
    edges = list(np.zeros((plan.n_edges + 1, lanes)))
    # Two rows for every net: its conductance to the reference and the current injected into it.
    # Both are handed on to the neighbours in the same proportion.
    ends = np.empty((plan.n_nets, 2, lanes))
    ends[:, 0] = leak_siemens
    ends[:, 1] = amps_in
    for place, value in zip(plan.places, siemens, strict=True):
        if place >= 0:
            edges[place] += value
        else:
            ends[-1 - place, 0] += value
    ohms = _eliminate(plan, edges, list(ends), lanes)
    volts, part = np.empty_like(ohms), np.empty(lanes)
    for star in reversed(plan.stars):
        own = volts[star.net]
        own[:] = ends[star.net, 1]
        for other, edge in star.arms:
            np.multiply(edges[edge], volts[other], out=part)
            own += part
        own *= ohms[star.net]
    return volts


def _eliminate(
    plan: MeshPlan,
    edges: list[NDArray[np.float64]],
    ends: list[NDArray[np.float64]],
    lanes: int,
) -> NDArray[np.float64]:
    """Star by star; returns (nets, lanes) one over the sum of each star's conductances."""
    ohms = np.empty((plan.n_nets, lanes))
    part, both = np.empty(lanes), np.empty((2, lanes))
    for star in plan.stars:
        own = ends[star.net]
        inverse = ohms[star.net]
        inverse[:] = own[0]
        for _, edge in star.arms:
            inverse += edges[edge]
        np.divide(1.0, inverse, out=inverse)
        for other, edge in star.arms:
            np.multiply(edges[edge], inverse, out=part)
            np.multiply(own, part, out=both)
            ends[other] += both
        for one, two, between in star.mesh:
            np.multiply(edges[one], edges[two], out=part)
            part *= inverse
            edges[between] += part
    return ohms
