"""Findings checked against the names of a network, as likelihoods over states."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkError, UnknownNameError, ValueOutOfRangeError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

    from diagnose.inference.families import Network

WEIGHTED = "(likelihood)"
"""What stands for the state where a finding is a likelihood."""


@dataclass(frozen=True, slots=True, eq=False)
class Finding:
    """One thing found of one node.

    Attributes:
        node: index of the node.
        said: the state, or `WEIGHTED`.
        weights: (states,) P(finding | state) up to a factor; 1 and zeros for a plain state.
    """

    node: int
    said: str
    weights: NDArray[np.float64]


def node_index(network: Network, name: str) -> int:
    """Index of a node; `UnknownNameError` when there is none."""
    if name not in network.index:
        raise UnknownNameError("node", str(name), network.index)
    return network.index[name]


def read_findings(
    network: Network,
    evidence: Mapping[str, str],
    likelihoods: Mapping[str, Sequence[float]],
) -> tuple[Finding, ...]:
    """All findings in ascending order of their nodes.

    Raises:
        UnknownNameError, NetworkError, ValueOutOfRangeError: see `CompiledNetwork.posterior`.
    """
    findings = []
    for name, state in evidence.items():
        node = node_index(network, name)
        states = network.families[node].states
        if state not in states:
            raise UnknownNameError("state", str(state), states, name)
        findings.append(Finding(node, state, np.eye(len(states))[states.index(state)]))
    for name, given in likelihoods.items():
        node = node_index(network, name)
        findings.append(Finding(node, WEIGHTED, _weights(name, given, network.cards[node])))
    return tuple(sorted(findings, key=lambda finding: finding.node))


def _weights(place: str, given: ArrayLike, card: int) -> NDArray[np.float64]:
    """A likelihood as a checked array; a maximum above 1 is fine, only ratios matter."""
    try:
        values = np.array(given, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise NetworkError(f"{place}: the likelihood is not an array of numbers", place) from error
    if values.shape != (card,):
        raise NetworkError(
            f"{place}: the likelihood has shape {values.shape}, expected {(card,)}", place
        )
    bad = values[~(np.isfinite(values) & (values >= 0.0))]
    if len(bad):
        raise ValueOutOfRangeError(place, float(bad[0]), 0.0, float("inf"), "likelihood")
    return values


def combined(
    network: Network, findings: Sequence[Finding], kept: NDArray[np.bool_] | None = None
) -> dict[int, NDArray[np.float64]]:
    """By node (cases, states) the product of what was found of it.

    Args:
        network: the network.
        findings: all findings.
        kept: (cases, findings) which of them hold in each case; None: one case, all of them.
    """
    kept = np.ones((1, len(findings)), np.bool_) if kept is None else kept
    weights: dict[int, NDArray[np.float64]] = {}
    for column, finding in enumerate(findings):
        own = weights.setdefault(finding.node, np.ones((len(kept), network.cards[finding.node])))
        own *= np.where(kept[:, column, None], finding.weights, 1.0)
    return weights
