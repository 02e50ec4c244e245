"""Compile a discrete Bayesian network once, then ask it for exact posteriors and gains."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.errors import ClashError, NetworkError
from diagnose.inference.beliefs import Beliefs
from diagnose.inference.clash import smallest_clash
from diagnose.inference.cliques import build_forest
from diagnose.inference.families import Network, from_pgmpy
from diagnose.inference.findings import combined, node_index, read_findings
from diagnose.inference.gains import gains_about
from diagnose.inference.layout import Layout, lay_out
from diagnose.inference.passes import prepared
from diagnose.inference.told import Told, tell

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

NOTHING: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True, eq=False)
class CompiledNetwork:
    """A network laid out for exact inference. Frozen; safe to share between threads.

    Attributes:
        network: the families.
        layout: the cliques and their possible rows.
    """

    network: Network
    layout: Layout

    @property
    def nodes(self) -> tuple[str, ...]:
        """Names of all nodes, in the order given."""
        return tuple(self.network.index)

    @property
    def rows(self) -> int:
        """Rows of all cliques together: what a pass walks over."""
        return self.layout.rows

    def states(self, node: str) -> tuple[str, ...]:
        """State names of a node."""
        return self.network.families[node_index(self.network, node)].states

    def parents(self, node: str) -> tuple[str, ...]:
        """Parents of a node, in the order of its table's axes."""
        return self.network.families[node_index(self.network, node)].parents

    def posterior(
        self,
        evidence: Mapping[str, str] = NOTHING,
        *,
        likelihoods: Mapping[str, Sequence[float]] = NOTHING,
    ) -> Beliefs:
        """Posteriors of all nodes and log P(findings), from one pass.

        Args:
            evidence: node -> the state it was found in.
            likelihoods: node -> nonnegative weights over its own states (virtual evidence,
                Pearl 1988 section 2.2.2): P(what was seen | state), up to a factor that then
                also counts in `log_evidence`. A node may be in both.

        Raises:
            UnknownNameError: a node or state that does not exist.
            ValueOutOfRangeError: a weight that is negative, infinite or NaN.
            NetworkError: weights of a wrong shape.
            ClashError: findings that cannot all be true, naming a smallest set that clashes.
        """
        told = self._tell(evidence, likelihoods)
        answers = tuple(told.marginal(node)[0] for node in range(len(self.network.families)))
        for own in answers:
            own.setflags(write=False)
        return Beliefs(float(told.log_evidence[0]), self.network, answers)

    def gains(
        self,
        tests: Iterable[str],
        *,
        given: Mapping[str, str] = NOTHING,
        likelihoods: Mapping[str, Sequence[float]] = NOTHING,
        about: Iterable[str] | None = None,
    ) -> dict[str, float]:
        """Mutual information between each test and what it is asked about, in bits.

        `I(A; T | e) = H(T | e) - sum_a P(a | e) H(T | a, e)`. Between 0 and the test's own
        entropy; 0 for a test that was observed. With weights on its states it is what learning
        the true state would still tell.

        Args:
            tests: nodes of any kind; each must be known to the network.
            given: findings, as `evidence` of `posterior`.
            likelihoods: as in `posterior`.
            about: the nodes whose joint state matters. None means each test's own parents: one
                pass for all of them. Otherwise the cost is at most one pass per possible
                combination of the named nodes.

        Raises:
            NetworkTooLargeError: when the named nodes have too many combinations.
            ClashError, UnknownNameError, ValueOutOfRangeError, NetworkError: as `posterior`.
        """
        names = list(tests)
        wanted = [node_index(self.network, test) for test in names]
        asked = None if about is None else frozenset(node_index(self.network, n) for n in about)
        bits = gains_about(self._tell(given, likelihoods), wanted, asked)
        return {name: bits[node] for name, node in zip(names, wanted, strict=True)}

    def _tell(
        self, evidence: Mapping[str, str], likelihoods: Mapping[str, Sequence[float]]
    ) -> Told:
        """The pass after some findings."""
        findings = read_findings(self.network, evidence, likelihoods)
        told = tell(self.network, self.layout, combined(self.network, findings), 1)
        if told.log_evidence[0] == -np.inf:
            raise ClashError(smallest_clash(self.network, self.layout, findings))
        return told


def compile_network(model: Any, *, max_rows: int = 20_000_000) -> CompiledNetwork:
    """Lays a network out for exact inference.

    Args:
        model: a `Network`, or a pgmpy `DiscreteBayesianNetwork` (see `from_pgmpy`).
        max_rows: most rows that the cliques may have together.

    Raises:
        NetworkError: when the tables are not a valid network, or there are no nodes.
        NetworkTooLargeError: when more rows would be needed, with the sizes named.
    """
    network = model if isinstance(model, Network) else from_pgmpy(model)
    if not network.families:
        raise NetworkError("a network needs at least one node")
    return CompiledNetwork(network, prepared(lay_out(network, build_forest(network, max_rows))))
