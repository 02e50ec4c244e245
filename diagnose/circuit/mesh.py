"""Node voltages of a resistive circuit by star-mesh elimination.

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

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

REFERENCE = -1
"""Net index of the battery's minus post: the zero every voltage is counted from."""


@dataclass(frozen=True, slots=True)
class MeshPlan:
    """How to solve one topology.

    Attributes:
        n_nets: nets besides the reference.
        element_slot: (elements,) edge slot of each element; -1 - net for an element to the
            reference; `n_slots` marks an element with both ends on one net (no effect).
        n_slots: edges between nets, fill included.
        order: (nets,) nets in the order of elimination.
        star_start: (nets + 1,) extent of each net's neighbours in the two arrays below.
        star_net: neighbour nets still present when the net is eliminated.
        star_slot: edge slot towards that neighbour.
        pair_start: (nets + 1,) extent of each net's pairs in the three arrays below.
        pair_left, pair_right: edge slots of the two star arms.
        pair_slot: edge slot between the two neighbours.
    """

    n_nets: int
    element_slot: NDArray[np.int32]
    n_slots: int
    order: NDArray[np.int32]
    star_start: NDArray[np.int32]
    star_net: NDArray[np.int32]
    star_slot: NDArray[np.int32]
    pair_start: NDArray[np.int32]
    pair_left: NDArray[np.int32]
    pair_right: NDArray[np.int32]
    pair_slot: NDArray[np.int32]


def elimination_order(neighbours: Sequence[set[int]]) -> list[int]:
    """Nets in minimum-degree order, fill counted; ties go to the lower index."""
    graph = [set(found) for found in neighbours]
    left = set(range(len(graph)))
    order = []
    while left:
        net = min(left, key=lambda n: (len(graph[n]), n))
        for one in graph[net]:
            graph[one] |= graph[net] - {one}
            graph[one].discard(net)
        left.discard(net)
        order.append(net)
    return order


def make_plan(n_nets: int, elements: Iterable[tuple[int, int]]) -> MeshPlan:
    """Order and operations for a topology.

    Args:
        n_nets: nets besides the reference.
        elements: the two nets of each element; `REFERENCE` for the battery's minus.
    """
    ends = list(elements)
    neighbours: list[set[int]] = [set() for _ in range(n_nets)]
    for a, b in ends:
        if a != b and REFERENCE not in (a, b):
            neighbours[a].add(b)
            neighbours[b].add(a)
    order = elimination_order(neighbours)
    slots: dict[tuple[int, int], int] = {}

    def slot(a: int, b: int) -> int:
        return slots.setdefault((min(a, b), max(a, b)), len(slots))

    star: list[list[tuple[int, int]]] = []
    pairs: list[list[tuple[int, int, int]]] = []
    graph = [set(found) for found in neighbours]
    for net in order:
        around = sorted(graph[net])
        star.append([(one, slot(net, one)) for one in around])
        pairs.append(
            [
                (slot(net, one), slot(net, two), slot(one, two))
                for i, one in enumerate(around)
                for two in around[i + 1 :]
            ]
        )
        for one in around:
            graph[one] |= graph[net] - {one}
            graph[one].discard(net)
    element_slot = [
        len(slots) if a == b else -1 - max(a, b) if REFERENCE in (a, b) else slot(a, b)
        for a, b in ends
    ]
    flat_star = [pair for row in star for pair in row]
    flat_pairs = [triple for row in pairs for triple in row]
    return MeshPlan(
        n_nets=n_nets,
        element_slot=np.array(element_slot, dtype=np.int32),
        n_slots=len(slots),
        order=np.array(order, dtype=np.int32),
        star_start=_extents(star),
        star_net=np.array([one for one, _ in flat_star], dtype=np.int32),
        star_slot=np.array([index for _, index in flat_star], dtype=np.int32),
        pair_start=_extents(pairs),
        pair_left=np.array([t[0] for t in flat_pairs], dtype=np.int32),
        pair_right=np.array([t[1] for t in flat_pairs], dtype=np.int32),
        pair_slot=np.array([t[2] for t in flat_pairs], dtype=np.int32),
    )


def _extents(rows: Sequence[Sequence[object]]) -> NDArray[np.int32]:
    return np.cumsum([0, *(len(row) for row in rows)]).astype(np.int32)


@njit(cache=True, nogil=True, inline="never")
def solve_into(  # type: ignore[no-untyped-def]  # noqa: PLR0913, PLR0917 - a kernel takes flat arrays
    element_slot,
    order,
    star_start,
    star_net,
    star_slot,
    pair_start,
    pair_left,
    pair_right,
    pair_slot,
    siemens,
    leak_siemens,
    amps_in,
    slots,
    to_reference,
    total,
    volts,
):
    """Volts of every net against the reference, written into `volts`.

    Args:
        element_slot .. pair_slot: the arrays of a `MeshPlan`.
        siemens: (elements,) conductances, >= 0.
        leak_siemens: conductance from every net to the reference, > 0 so that a floating net
            has a voltage at all.
        amps_in: (nets,) current injected into each net; overwritten.
        slots: (n_slots + 1,) work space.
        to_reference: (nets,) work space.
        total: (nets,) work space.
        volts: (nets,) result.
    """
    n_nets = order.shape[0]
    slots[:] = 0.0
    to_reference[:] = leak_siemens
    for e in range(siemens.shape[0]):
        where = element_slot[e]
        if where >= 0:
            slots[where] += siemens[e]
        else:
            to_reference[-1 - where] += siemens[e]
    for k in range(n_nets):
        net = order[k]
        whole = to_reference[net]
        for s in range(star_start[k], star_start[k + 1]):
            whole += slots[star_slot[s]]
        total[net] = whole
        inverse = 1.0 / whole
        ground = to_reference[net] * inverse
        current = amps_in[net] * inverse
        for s in range(star_start[k], star_start[k + 1]):
            arm = slots[star_slot[s]]
            to_reference[star_net[s]] += arm * ground
            amps_in[star_net[s]] += arm * current
        for p in range(pair_start[k], pair_start[k + 1]):
            slots[pair_slot[p]] += slots[pair_left[p]] * slots[pair_right[p]] * inverse
    for back in range(n_nets):
        k = n_nets - 1 - back
        net = order[k]
        sum_amps = amps_in[net]
        for s in range(star_start[k], star_start[k + 1]):
            sum_amps += slots[star_slot[s]] * volts[star_net[s]]
        volts[net] = sum_amps / total[net]
