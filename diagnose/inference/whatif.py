"""Posteriors after each possible outcome of many tests, from one propagation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import UnknownNameError
from diagnose.inference import layout as at
from diagnose.inference.questions import Questions, ask
from diagnose.inference.routes import make_groups, make_routes
from diagnose.inference.threads import in_threads

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from diagnose.inference.compiled import CompiledNetwork
    from diagnose.inference.findings import Findings, Names
    from diagnose.inference.routes import Routes

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


def _place(kind: str, name: str, valid: tuple[str, ...]) -> int:
    try:
        return valid.index(name)
    except ValueError:
        raise UnknownNameError(kind, name, valid) from None


def what_if(
    compiled: CompiledNetwork, tests: Sequence[str], nodes: Sequence[str], base: Findings
) -> WhatIf:
    """See `CompiledNetwork.outcomes_of`."""
    names, encoder = compiled.names, compiled.encoder
    belief, marginals, log_evidence = compiled.calibrated(base)
    cases, asked = (
        ask(encoder, compiled.likelihoods, [names.node(name) for name in some], base, marginals)
        for some in (tests, nodes)
    )
    possible = cases.chance >= IMPOSSIBLE_BELOW
    answers = np.zeros((len(cases.chance), len(asked.chance)))
    if len(asked.chance) < len(cases.chance):
        sure = np.flatnonzero(asked.chance >= NEGLIGIBLE)
        both = _spread(compiled, belief, asked, sure, cases)  # P(outcome | state)
        both *= asked.chance[sure, None]
        both[:, possible] /= cases.chance[possible]
        answers[:, sure] = both.T
        answers[~possible] = 0.0
    else:
        answers[possible] = _spread(compiled, belief, cases, np.flatnonzero(possible), asked)
    _say_what_was_found(answers, cases, asked)
    with np.errstate(divide="ignore"):
        logs = np.where(possible, log_evidence + np.log(cases.chance), -np.inf)
    chance = cases.chance.copy()
    held = (cases.offsets, asked.offsets, chance, logs, answers)
    for array in held:
        array.setflags(write=False)
    return WhatIf(tuple(tests), tuple(nodes), *held, names)


def _say_what_was_found(
    answers: NDArray[np.float64], cases: Questions, asked: Questions
) -> None:
    """A node asked about and itself the test: its state is the outcome."""
    for place, node in enumerate(asked.nodes):
        for test, tried in enumerate(cases.nodes):
            if node == tried:
                outcomes = slice(*cases.offsets[test : test + 2])
                states = slice(*asked.offsets[place : place + 2])
                counts = cases.chance[outcomes] >= IMPOSSIBLE_BELOW
                answers[outcomes, states] = np.diag(counts.astype(np.float64))


def _spread(
    compiled: CompiledNetwork,
    belief: NDArray[np.float64],
    sources: Questions,
    which: NDArray[np.int64],
    sinks: Questions,
) -> NDArray[np.float64]:
    """P(each state of `sinks` | findings, one state of `sources`).

    Args:
        compiled: the network.
        belief: the workspace after the findings.
        sources: the states that are supposed, one at a time.
        which: places of the states to suppose; each must be possible.
        sinks: the states that are asked about.

    Returns:
        Shape (len(which), states of `sinks`).
    """
    plan = compiled.plan
    answers = np.zeros((len(which), len(sinks.chance)))
    if not answers.size:
        return answers
    routes = make_routes(plan, sinks.tables)
    tables, starts, weights = _lanes(sources, which)
    order, groups = make_groups(plan, tables)
    lanes = np.stack([plan.tables[tables, at.T_INTO], starts], axis=1)[order]
    result = np.empty((len(which), routes.entries))
    _run(compiled, belief, routes, groups, lanes, weights, result)
    for table in dict.fromkeys(sinks.tables):
        about = [place for place, own in enumerate(sinks.tables) if own == table]
        columns = [np.arange(*sinks.offsets[place : place + 2]) for place in about]
        out = routes.out[table]
        read = result[:, out : out + plan.tables[table, at.T_SIZE]]
        told = read @ np.concatenate([sinks.weights[place] for place in about], axis=1)
        answers[order[:, None], np.concatenate(columns)] = told
    return answers


def _lanes(
    sources: Questions, which: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Tables of the states supposed, where their weights begin, and the weights."""
    tables, starts, blocks, size = [], [], [], 0
    for state, node in zip(which.tolist(), sources.node_of_state[which].tolist(), strict=True):
        column = sources.weights[node][:, state - sources.offsets[node]]
        tables.append(sources.tables[node])
        starts.append(size)
        blocks.append(column / sources.chance[state])
        size += len(column)
    return np.array(tables, np.int64), np.array(starts, np.int64), np.concatenate(blocks)


def _run(  # noqa: PLR0913, PLR0917 - what the kernel takes
    compiled: CompiledNetwork,
    belief: NDArray[np.float64],
    routes: Routes,
    groups: NDArray[np.int64],
    lanes: NDArray[np.int64],
    weights: NDArray[np.float64],
    result: NDArray[np.float64],
) -> None:
    """All groups, in as many threads as are worth it; the kernel holds no lock."""
    # numba takes half a second to import
    from diagnose.inference.spread import spread_kernel  # noqa: PLC0415

    plan, kernel = compiled.plan, spread_kernel()
    largest = int(plan.cliques[:, at.C_ROWS].max())
    separators = int(routes.places[-1, at.P_RATIO])

    def run(first: int, last: int) -> None:
        sizes = (largest, separators, routes.entries)
        kernel(
            plan.cliques, plan.tables, plan.index, belief,
            routes.places, routes.children, routes.sinks, groups, lanes, weights,
            *(np.empty(size * at.LANES) for size in sizes), result, first, last,
        )  # fmt: skip

    in_threads(run, len(groups), compiled.rows * at.LANES)
