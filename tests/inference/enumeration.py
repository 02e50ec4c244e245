"""The joint distribution summed by brute force: slow, obvious, a referee of the engine.

`P(x) = product over nodes of P(x_node | x_parents)`; every question is a sum over all `x`.
Shares no code with the engine beyond the tables themselves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import ClashError, NetworkTooLargeError, UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from diagnose.inference.families import Network

MOST_STATES = 2_000_000


@dataclass(frozen=True, slots=True, eq=False)
class Enumeration:
    """The whole joint given some findings.

    Attributes:
        network: the network it was summed over.
        joint: P(x | findings), one axis per node in the order of the network's families.
        log_evidence: natural log of the sum of P(x) times all likelihoods.
    """

    network: Network
    joint: NDArray[np.float64]
    log_evidence: float

    def marginal(self, *nodes: str) -> NDArray[np.float64]:
        """P(nodes | findings), one axis per node in the order given."""
        places = [self.network.index[node] for node in nodes]
        rest = tuple(axis for axis in range(self.joint.ndim) if axis not in places)
        kept = sorted(places)
        summed = np.asarray(self.joint.sum(axis=rest))
        return summed.transpose([kept.index(place) for place in places])

    def gain(self, test: str, about: Sequence[str] | None = None) -> float:
        """I(about; test | findings) in bits; `about` None means the test's parents."""
        family = self.network.families[self.network.index[test]]
        named = tuple(dict.fromkeys(family.parents if about is None else about))
        others = tuple(name for name in named if name != test)
        own = self.marginal(test)
        if len(others) < len(named):  # a test that is asked about itself tells all it can
            return _bits(own)
        return max(
            0.0, _bits(own) + _bits(self.marginal(*others)) - _bits(self.marginal(*others, test))
        )


def enumerate_joint(
    network: Network,
    evidence: Mapping[str, str] = {},
    likelihoods: Mapping[str, ArrayLike] = {},
) -> Enumeration:
    """Sums the joint; evidence and likelihoods as in `CompiledNetwork.posterior`.

    Raises:
        NetworkTooLargeError: for more than two million joint states.
        UnknownNameError: for a node or state that does not exist.
        ClashError: naming all findings, when they are impossible together.
    """
    states = math.prod(network.cards)
    if states > MOST_STATES:
        raise NetworkTooLargeError(states, MOST_STATES, [f.node for f in network.families])
    observed = {_node(network, name): _state(network, name, s) for name, s in evidence.items()}
    soft = {_node(network, n): np.asarray(w, np.float64) for n, w in likelihoods.items()}
    joint = np.zeros(network.cards)
    for x in product(*(range(card) for card in network.cards)):
        weight = 1.0
        for node, family in enumerate(network.families):
            above = tuple(x[parent] for parent in network.parents[node])
            weight *= float(family.table[(*above, x[node])])
            if node in soft:
                weight *= float(soft[node][x[node]])
            if weight == 0.0 or observed.get(node, x[node]) != x[node]:
                weight = 0.0
                break
        joint[x] = weight
    total = float(joint.sum())
    if total == 0.0:
        raise ClashError([*evidence.items(), *((name, "(likelihood)") for name in likelihoods)])
    return Enumeration(network, joint / total, math.log(total))


def _bits(distribution: NDArray[np.float64]) -> float:
    return -sum(p * math.log2(p) for p in distribution.ravel().tolist() if p > 0.0)


def _node(network: Network, name: str) -> int:
    if name not in network.index:
        raise UnknownNameError("node", name, network.index)
    return network.index[name]


def _state(network: Network, node: str, state: str) -> int:
    states = network.families[_node(network, node)].states
    if state not in states:
        raise UnknownNameError("state", state, states, node)
    return states.index(state)
