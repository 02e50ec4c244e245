"""What is believed after some findings: read-only answers of one pass."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.inference.findings import node_index

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from diagnose.inference.families import Network


@dataclass(frozen=True, eq=False)
class Beliefs(Mapping[str, Mapping[str, float]]):
    """Posterior of every node: `beliefs["node"]["state"]` is a probability.

    Attributes:
        log_evidence: natural logarithm of the probability of the findings.
    """

    log_evidence: float
    _network: Network
    _marginals: tuple[NDArray[np.float64], ...]

    def __getitem__(self, node: str) -> Mapping[str, float]:
        place = node_index(self._network, node)
        states = self._network.families[place].states
        return dict(zip(states, self._marginals[place].tolist(), strict=True))

    def __iter__(self) -> Iterator[str]:
        return iter(self._network.index)

    def __len__(self) -> int:
        return len(self._marginals)

    def __contains__(self, node: object) -> bool:
        return node in self._network.index

    def marginal(self, node: str) -> NDArray[np.float64]:
        """P(node | findings), read-only, in the order of the node's states."""
        return self._marginals[node_index(self._network, node)]
