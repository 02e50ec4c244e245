"""Posteriors after each possible outcome of many tests, from one propagation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import UnknownNameError
from diagnose.inference import layout as at
from diagnose.inference.questions import Question, question
from diagnose.inference.routes import make_routes
from diagnose.inference.threads import in_threads, worth
from diagnose.inference.workspace import borrowed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.inference.beliefs import Beliefs
    from diagnose.inference.compiled import CompiledNetwork
    from diagnose.inference.findings import Findings, Names
    from diagnose.inference.routes import Routes

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]

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

    def case(self, test: str, outcome: str) -> int:
        """The row of one outcome of one test.

        Raises:
            UnknownNameError: when that is none of the cases.
        """
        first = self.outcome_offsets[_place("test", test, self.tests)]
        return int(first) + self._names.state(self._names.node(test), outcome)

    def marginal(self, test: str, outcome: str, node: str) -> NDArray[np.float64]:
        """P(node | findings, outcome of the test), in the order of the node's states.

        Raises:
            UnknownNameError: when it was not asked about.
        """
        place = _place("node", node, self.nodes)
        start, stop = self.state_offsets[place : place + 2]
        return self.marginals[self.case(test, outcome), start:stop]


def _place(kind: str, name: str, valid: tuple[str, ...]) -> int:
    try:
        return valid.index(name)
    except ValueError:
        raise UnknownNameError(kind, name, valid) from None


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """A propagation that what-ifs build on; made by `CompiledNetwork.settled`.

    Attributes:
        compiled: the network.
        base: the findings.
        belief: the workspace after a propagation of these through every tree.
        beliefs: the same for reading.
    """

    compiled: CompiledNetwork
    base: Findings
    belief: Reals
    beliefs: Beliefs

    def outcomes_of(self, tests: Sequence[str], nodes: Sequence[str]) -> WhatIf:
        """See `CompiledNetwork.outcomes_of`."""
        return what_if(self, tests, nodes)

    def joint_with(self, tests: Sequence[str], codes: NDArray[np.int64]) -> NDArray[np.float64]:
        """P(state, outcome | findings) of some states with each outcome of some tests.

        The time grows with the number of nodes that the states belong to, so leave out those
        that do not matter. As with `outcomes_of`, ask for the same tests and nodes again.

        Args:
            tests: nodes of any kind.
            codes: states of other nodes, as entries of a vector of all states.

        Returns:
            Shape (codes, outcomes of all tests one after the other). A state with a chance below
            1e-30 gives a row of zeros.

        Raises:
            UnknownNameError: a node that does not exist.
        """
        names, encoder = self.compiled.names, self.compiled.encoder
        cases = question(encoder, tuple(map(names.node, tests)))
        nodes = np.searchsorted(names.offsets, codes, "right") - 1
        asked = question(encoder, tuple(dict.fromkeys(nodes.tolist())))
        place = {code: place for place, code in enumerate(asked.codes.tolist())}
        prior = self.beliefs.marginals[asked.codes]
        which = np.array([place[code] for code in codes.tolist()], np.int64)
        rows = np.flatnonzero(prior[which] >= NEGLIGIBLE)
        joint = np.zeros((len(codes), len(cases.codes)))
        likely = which[rows]
        joint[rows] = _spread(self, asked, likely, prior, cases) * prior[likely, None]
        return joint


def what_if(before: Settled, tests: Sequence[str], nodes: Sequence[str]) -> WhatIf:
    """See `CompiledNetwork.outcomes_of`."""
    names, encoder = before.compiled.names, before.compiled.encoder
    cases = question(encoder, tuple(map(names.node, tests)))
    asked = question(encoder, tuple(map(names.node, nodes)))
    marginals, log_evidence = before.beliefs.marginals, before.beliefs.log_evidence
    chance, prior = marginals[cases.codes], marginals[asked.codes]
    possible = chance >= IMPOSSIBLE_BELOW
    answers = np.zeros((len(chance), len(prior)))
    if len(prior) < len(chance):
        # by Bayes' rule, from P(outcome | state); fewer to suppose
        which = np.flatnonzero(prior >= NEGLIGIBLE)
        both = _spread(before, asked, which, prior, cases) * prior[which, None]
        answers[:, which] = np.divide(
            both.T, chance[:, None], where=possible[:, None], out=np.zeros(both.T.shape)
        )
    else:
        answers[possible] = _spread(before, cases, np.flatnonzero(possible), chance, asked)
    _say_what_was_found(answers, cases, asked, possible)
    with np.errstate(divide="ignore"):
        logs = np.where(possible, log_evidence + np.log(chance), -np.inf)
    held = (cases.offsets, asked.offsets, chance, logs, answers)
    for array in held:
        array.setflags(write=False)
    return WhatIf(tuple(tests), tuple(nodes), *held, names)


def _say_what_was_found(
    answers: Reals, cases: Question, asked: Question, possible: NDArray[np.bool_]
) -> None:
    """Where a node is asked about and is itself the test, its state is the outcome."""
    place_of = {node: place for place, node in enumerate(cases.nodes)}
    for place, node in enumerate(asked.nodes):
        if node in place_of:
            outcomes = slice(*cases.offsets[place_of[node] : place_of[node] + 2])
            states = slice(*asked.offsets[place : place + 2])
            answers[outcomes, states] = np.diag(possible[outcomes].astype(np.float64))


def _spread(
    before: Settled, sources: Question, which: Ints, chance: Reals, sinks: Question
) -> Reals:
    """P(each state of `sinks` | findings, one state of `sources`).

    Args:
        before: what is known already.
        sources: the states that may be supposed, one at a time.
        which: places of the states to suppose; each must be possible.
        chance: P(state | findings) of all states of `sources`.
        sinks: the states that are asked about.

    Returns:
        Shape (len(which), states of `sinks`).
    """
    answers = np.zeros((len(which), len(sinks.codes)))
    if not answers.size:
        return answers
    order = np.argsort(sources.table_of_state[which], kind="stable")
    ranked = which[order]
    routes = make_routes(before.compiled.plan, tuple(sources.by_table), tuple(sinks.by_table))
    supposed = _supposed(before, sources, ranked, chance, routes)
    groups = -(-len(which) // at.LANES)
    threads = worth(groups, len(routes.col) // 2)
    read, whole, _ = routes.sizes
    sizes = (len(routes.col), len(which) * read, groups * whole * at.LANES)
    with borrowed(*sizes) as (number, flat, lanes):
        result = flat.reshape(len(which), read)
        _run(before, routes, supposed, number, lanes, result, threads)
        _keep_other_trees(before, routes, sources.table_of_state[ranked], result)
        answers[order] = _told(before, routes, sinks, result)
    return answers


def _told(before: Settled, routes: Routes, sinks: Question, result: Reals) -> Reals:
    """What the entries read say about the states that depend on them."""
    told = np.empty((len(result), len(sinks.codes)))
    for table, (states, weights) in sinks.by_table.items():
        begin = routes.out[table]
        told[:, states] = result[:, begin : begin + len(weights)] @ weights
    for place, weights in sinks.found_themselves(before.base).items():
        begin = routes.out[sinks.tables[place]]
        own = slice(*sinks.offsets[place : place + 2])
        told[:, own] = result[:, begin : begin + len(weights)] @ weights
    return told


@dataclass(frozen=True, slots=True, eq=False)
class _Supposed:
    """States to suppose, those about the same table together; see `spread_kernel`."""

    what_ptr: Ints
    starts: Ints
    weights: Reals


def _supposed(
    before: Settled, sources: Question, which: Ints, chance: Reals, routes: Routes
) -> _Supposed:
    """Weights and sources of the states supposed, which come sorted by their tables."""
    starts, counts, weights = sources.columns
    by = np.divide(1.0, chance, where=chance >= NEGLIGIBLE, out=np.zeros_like(chance))
    weights = weights * np.repeat(by, counts)
    for place, changed in sources.found_themselves(before.base).items():
        own = slice(*sources.offsets[place : place + 2])
        begin = int(starts[own][0])
        weights[begin : begin + changed.size] = (changed * by[own]).T.ravel()
    source = np.array([routes.source[int(t)] for t in sources.table_of_state[which]], np.int64)
    return _Supposed(
        np.searchsorted(source, np.arange(len(routes.source) + 1)), starts[which], weights
    )


def _run(
    before: Settled,
    routes: Routes,
    supposed: _Supposed,
    number: Reals,
    lanes: Reals,
    result: Reals,
    threads: int,
) -> None:
    """All groups, in so many threads; the kernels hold no lock."""
    # numba takes half a second to import
    from diagnose.inference.spread import fill_kernel, spread_kernel  # noqa: PLC0415

    fill, spread = fill_kernel(), spread_kernel()

    filled = np.zeros((-(-len(result) // at.LANES), routes.sizes[2] + 1), np.bool_)

    def fill_some(_thread: int, first: int, last: int) -> None:
        fill(
            routes.matrices, routes.ptr, routes.slot,
            before.belief, number, first, last,
        )  # fmt: skip

    def spread_some(_thread: int, first: int, last: int) -> None:
        spread(
            routes.matrices, routes.ptr, routes.col, number,
            routes.order, routes.users, routes.users_ptr,
            supposed.what_ptr, routes.supposed, supposed.starts, supposed.weights,
            lanes, routes.sizes[1], filled, result, first, last,
        )  # fmt: skip

    in_threads(fill_some, len(routes.matrices), worth(threads, len(routes.col) // 2))
    in_threads(spread_some, len(filled), threads)


def _keep_other_trees(before: Settled, routes: Routes, tables: Ints, result: Reals) -> None:
    """What is read in another tree than a supposed state's stays as it was."""
    plan = before.compiled.plan
    if (plan.cliques[:, at.C_PARENT] < 0).sum() == 1:
        return
    root = plan.tables[:, at.T_ROOT]
    for table, begin in routes.out.items():
        out, size = plan.tables[table, at.T_OUT], plan.tables[table, at.T_SIZE]
        result[root[tables] != root[table], begin : begin + size] = before.belief[out : out + size]
