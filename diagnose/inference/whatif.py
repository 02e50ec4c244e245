"""Posteriors after each possible outcome of many tests, from one propagation."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference import layout as at
from diagnose.inference.questions import Questions, ask
from diagnose.inference.routes import make_groups, make_routes
from diagnose.inference.workspace import cores

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from diagnose.inference.compiled import CompiledNetwork
    from diagnose.inference.findings import Findings, Names

IMPOSSIBLE_BELOW = 1e-12
"""Chance below which an outcome counts as impossible. Above it every number that matters is far
from underflow."""

NEGLIGIBLE = 1e-30
"""States this unlikely add less than 1e-18 to the posterior after any outcome that counts."""


@dataclass(frozen=True, eq=False)
class WhatIf:
    """What would be believed after each outcome of each test; read-only arrays.

    A case is one outcome of one test; the cases of test `t` are
    `outcome_offsets[t]:outcome_offsets[t + 1]`, in the order of its states. A case with a chance
    below 1e-12 counts as impossible: zeros, and a log of -inf.

    Attributes:
        tests: names of the nodes whose outcomes are tried.
        nodes: names of the nodes asked about.
        outcome_offsets: shape (tests + 1,).
        state_offsets: where the states of each node asked about begin; shape (nodes + 1,).
        chance: P(outcome | findings) of each case, shape (cases,).
        log_evidence: natural log P(findings, outcome), shape (cases,).
        marginals: P(state | findings, outcome), shape (cases, states of the nodes asked about).
    """

    tests: tuple[str, ...]
    nodes: tuple[str, ...]
    outcome_offsets: NDArray[np.int64]
    state_offsets: NDArray[np.int64]
    chance: NDArray[np.float64]
    log_evidence: NDArray[np.float64]
    marginals: NDArray[np.float64]
    _names: Names

    def marginal(self, test: str, outcome: str, node: str) -> NDArray[np.float64]:
        """P(node | findings, outcome of the test), in the order of the node's states.

        Raises:
            UnknownNameError: when it was not asked about.
        """
        t, n = _place("test", test, self.tests), _place("node", node, self.nodes)
        case = self.outcome_offsets[t] + self._names.state(self._names.node(test), outcome)
        return self.marginals[case, self.state_offsets[n] : self.state_offsets[n + 1]]
