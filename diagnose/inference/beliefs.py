"""What is believed after some findings: read-only answers of one propagation."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkError
from diagnose.inference import layout as at

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.inference.findings import Encoder


@dataclass(frozen=True, eq=False)
class Beliefs(Mapping[str, Mapping[str, float]]):
    """Posterior of every node: `beliefs["node"]["state"]` is a probability.

    Attributes:
        marginals: read-only, every node's posterior one after the other; shape (all states,).
        gain_vector: read-only, bits, one per leaf in the order of `CompiledNetwork.leaves`.
        log_evidence: natural logarithm of the probability of the findings.
        joints: read-only, the joints of leaves' parents one after the other, possible
            combinations only; `parents_joint` puts them in shape.
    """

    marginals: NDArray[np.float64]
    gain_vector: NDArray[np.float64]
    log_evidence: float
    joints: NDArray[np.float64]
    _encoder: Encoder

    def __getitem__(self, node: str) -> Mapping[str, float]:
        place = self._encoder.names.node(node)
        states = self._encoder.names.states[place]
        return dict(zip(states, self._own(place).tolist(), strict=True))

    def __iter__(self) -> Iterator[str]:
        return iter(self._encoder.names.nodes)

    def __len__(self) -> int:
        return len(self._encoder.names.nodes)

    def __contains__(self, node: object) -> bool:
        return node in self._encoder.names.index

    def _own(self, place: int) -> NDArray[np.float64]:
        starts = self._encoder.names.starts
        return self.marginals[starts[place] : starts[place + 1]]

    def marginal(self, node: str) -> NDArray[np.float64]:
        """P(node | findings), read-only, in the order of the node's states."""
        return self._own(self._encoder.names.node(node))

    @cached_property
    def gains_bits(self) -> Mapping[str, float]:
        """I(parents; leaf | findings) of every leaf, in bits.

        Between 0 and the leaf's own entropy. A leaf that was observed gains 0, and so does one
        with a reading: repeating a test is not modelled. With weights on its outcomes the gain
        is what learning the true outcome would still tell.
        """
        names = self._encoder.names.nodes
        leaves = self._encoder.leaf_nodes.tolist()
        return MappingProxyType(
            {
                names[node]: bits
                for node, bits in zip(leaves, self.gain_vector.tolist(), strict=True)
            }
        )

    def parents_joint(self, leaf: str) -> NDArray[np.float64]:
        """P(parents | findings) of a leaf; shape: the parents' numbers of states, in order.

        Raises:
            UnknownNameError: when there is no such node.
            NetworkError: when the node is not a leaf, so its parents' joint is not at hand.
        """
        encoder = self._encoder
        node = encoder.names.node(leaf)
        if node not in encoder.leaf_of:
            raise NetworkError(f"{leaf}: has children or no parents, so it is not a leaf", leaf)
        table = int(encoder.plan.leaves[encoder.leaf_of[node], at.L_TABLE])
        above = encoder.names.parents[node]
        order = np.argsort(above)
        dense = np.zeros([len(encoder.names.states[above[axis]]) for axis in order])
        start = int(encoder.plan.tables[table, at.T_OUT] - encoder.plan.tables[0, at.T_OUT])
        positions = encoder.combinations(table)
        dense.ravel()[positions] = self.joints[start : start + len(positions)]
        return dense.transpose(np.argsort(order))
