"""Compile a discrete Bayesian network once, then ask it for exact posteriors and gains."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.errors import ClashError, NetworkError, ValueOutOfRangeError
from diagnose.inference import layout as at
from diagnose.inference.batch import Batch, woven
from diagnose.inference.beliefs import Beliefs
from diagnose.inference.bundle import plan_from_arrays, plan_to_arrays
from diagnose.inference.clash import smallest_clash
from diagnose.inference.cliques import build_forest
from diagnose.inference.families import Network, from_pgmpy
from diagnose.inference.findings import Encoder, Findings, Names
from diagnose.inference.gains import gains_about
from diagnose.inference.plan import Plan, PlanBuilder
from diagnose.inference.priors import fill_priors
from diagnose.inference.threads import in_threads, worth
from diagnose.inference.whatif import Settled, WhatIf
from diagnose.inference.workspace import workspace

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import ArrayLike, NDArray

NOTHING: Mapping[str, Any] = MappingProxyType({})


@dataclass(frozen=True, eq=False)
class CompiledNetwork:
    """A network laid out for fast exact inference. Frozen; safe to share between threads.

    Nodes have indices in the order of `nodes`; the states of node `i` occupy the entries
    `state_offsets[i]:state_offsets[i + 1]` of every vector of all states. That entry number is
    the state's *code*, used by `propagate_many`.
    """

    names: Names
    plan: Plan

    @property
    def nodes(self) -> tuple[str, ...]:
        """Names of all nodes, in the order given."""
        return self.names.nodes

    @cached_property
    def leaves(self) -> tuple[str, ...]:
        """Nodes with parents and no children, in the order of every vector of gains."""
        return tuple(self.nodes[node] for node in self.encoder.leaf_nodes)

    @property
    def state_offsets(self) -> NDArray[np.int64]:
        """Where each node's states begin in a vector of all states; shape (nodes + 1,)."""
        return self.names.offsets

    @property
    def rows(self) -> int:
        """Rows of all cliques together: what a propagation walks over."""
        return int(self.plan.cliques[:, at.C_ROWS].sum())

    @cached_property
    def encoder(self) -> Encoder:
        """Look-up tables from names to the kernel's records."""
        return Encoder(self.names, self.plan)

    @cached_property
    def _joints(self) -> slice:
        """Where the tables lie in the workspace, one after the other."""
        first, last = self.plan.tables[0], self.plan.tables[-1]
        return slice(int(first[at.T_OUT]), int(last[at.T_OUT] + last[at.T_SIZE]))

    def states(self, node: str) -> tuple[str, ...]:
        """State names of a node."""
        return self.names.states[self.names.node(node)]

    def parents(self, node: str) -> tuple[str, ...]:
        """Parents of a node, in the order of its table's axes."""
        return tuple(self.nodes[above] for above in self.names.parents[self.names.node(node)])

    def code(self, node: str, state: str) -> int:
        """The entry of a state in every vector of all states."""
        place = self.names.node(node)
        return int(self.names.offsets[place]) + self.names.state(place, state)

    def encode(
        self,
        evidence: Mapping[str, str] = NOTHING,
        *,
        likelihoods: Mapping[str, Sequence[float]] = NOTHING,
        parent_likelihoods: Mapping[str, ArrayLike] = NOTHING,
    ) -> Findings:
        """Findings checked and ready for `propagate_many`; arguments as in `posterior`."""
        return self.encoder.read(evidence, likelihoods, parent_likelihoods)

    def posterior(
        self,
        evidence: Mapping[str, str] = NOTHING,
        *,
        likelihoods: Mapping[str, Sequence[float]] = NOTHING,
        parent_likelihoods: Mapping[str, ArrayLike] = NOTHING,
    ) -> Beliefs:
        """Everything one propagation tells.

        Args:
            evidence: node -> the state it was found in.
            likelihoods: node -> nonnegative weights over its own states (virtual evidence,
                Pearl 1988 section 2.2.2): P(what was seen | state), up to a factor that then
                also counts in `log_evidence`.
            parent_likelihoods: leaf -> nonnegative weights over its parents' combinations, shape
                of the parents' numbers of states: P(reading | parents), up to a factor.

        Returns:
            Posteriors of all nodes, log P(findings), gains of all leaves.

        Raises:
            UnknownNameError: a node or state that does not exist.
            ValueOutOfRangeError: a weight that is negative, infinite or NaN.
            NetworkError: weights of a wrong shape.
            ClashError: findings that cannot all be true, naming a smallest set that clashes.
        """
        found = self.encode(
            evidence, likelihoods=likelihoods, parent_likelihoods=parent_likelihoods
        )
        return self.beliefs(found)

    def beliefs(self, findings: Findings) -> Beliefs:
        """The same as `posterior` for findings already encoded; raises only `ClashError`."""
        batch = self._allocate(1)
        pointer = np.array([0, len(findings.records)], np.int64)
        work = self._run(pointer, findings.records, findings.numbers, batch, 0, 1)
        if batch.log_evidence[0] == -np.inf:
            raise ClashError(smallest_clash(self, findings))
        return self._told(work, batch)

    def _told(self, work: NDArray[np.float64], batch: Batch) -> Beliefs:
        """What a propagation of one case has left in the workspace and its answers."""
        joints = work[self._joints].copy()
        marginals, gains = batch.marginals[0], batch.gains[0]
        for vector in (joints, marginals, gains):
            vector.setflags(write=False)
        return Beliefs(marginals, gains, float(batch.log_evidence[0]), joints, self.encoder)

    def propagate_many(self, extra: NDArray[np.integer], base: Findings | None = None) -> Batch:
        """One propagation per row of `extra`, each on top of the same base findings.

        Args:
            extra: state codes of shape (cases, width); -1 stands for none.
            base: findings all cases share, from `encode`.

        Returns:
            One row per case. A state that contradicts a base finding makes its case impossible.

        Raises:
            ValueOutOfRangeError: a code that is not -1 and not an entry of all states.
        """
        shared = base if base is not None else self.encoder.encode({})
        codes = np.atleast_2d(np.asarray(extra, np.int64))
        total = int(self.plan.sizes[2])
        if codes.size and not -1 <= codes.min() <= codes.max() < total:
            worst = codes.max() if codes.max() >= total else codes.min()
            raise ValueOutOfRangeError("state code", float(worst), -1.0, total - 1.0, "")
        again = self._meets_again(codes, shared)
        if not again.any():
            return self._propagate_codes(codes, shared)
        return woven(
            again,
            self.propagate_cases([self._with_codes(shared, row) for row in codes[again]]),
            self._propagate_codes(codes[~again], shared),
        )

    def _propagate_codes(self, codes: NDArray[np.int64], base: Findings) -> Batch:
        """Records of the base findings and of each row's codes, side by side."""
        given = codes >= 0
        held = len(base.records)
        pointer = np.zeros(len(codes) + 1, np.int64)
        np.cumsum(held + given.sum(axis=1), out=pointer[1:])
        records = np.empty((len(codes), held + codes.shape[1], at.F_FIELDS), np.int64)
        records[:, :held] = base.records
        records[:, held:] = self.encoder.record_of_state[codes]
        keep = np.ones(records.shape[:2], np.bool_)
        keep[:, held:] = given
        return self._propagate(pointer, records[keep], base.numbers)

    def propagate_cases(self, cases: Sequence[Findings | None]) -> Batch:
        """One propagation per case with findings of any kind; None is impossible beforehand."""
        found = [case for case in cases if case is not None]
        pointer = np.cumsum([0, *(len(case.records) for case in found)], dtype=np.int64)
        shift = np.cumsum([0, *(len(case.numbers) for case in found)], dtype=np.int64)
        blocks = [np.zeros((0, at.F_FIELDS), np.int64)]
        for case, offset in zip(found, shift, strict=False):
            records = case.records.copy()
            weighted = np.isin(records[:, at.F_KIND], _WEIGHTED)
            records[weighted, at.F_VALUE] += offset
            blocks.append(records)
        numbers = np.concatenate([np.zeros(0), *(case.numbers for case in found)])
        answers = self._propagate(pointer, np.concatenate(blocks), numbers)
        absent = np.array([case is None for case in cases], np.bool_)
        if not absent.any():
            return answers
        impossible = self._allocate(int(absent.sum()))
        impossible.marginals[:] = 0.0
        impossible.gains[:] = 0.0
        impossible.log_evidence[:] = -np.inf
        return woven(absent, impossible, answers)

    def gains(
        self,
        tests: Iterable[str],
        *,
        given: Mapping[str, str] = NOTHING,
        likelihoods: Mapping[str, Sequence[float]] = NOTHING,
        parent_likelihoods: Mapping[str, ArrayLike] = NOTHING,
        about: Iterable[str] | None = None,
    ) -> dict[str, float]:
        """Mutual information between each test and what it is asked about, in bits.

        `I(A; T | e) = H(T | e) - sum_a P(a | e) H(T | a, e)`.

        Args:
            tests: nodes of any kind; each must be known to the network.
            given: findings, as `evidence` of `posterior`.
            likelihoods: as in `posterior`.
            parent_likelihoods: as in `posterior`.
            about: the nodes whose joint state matters. None means each test's own parents: for
                leaves that costs one propagation for all of them. Otherwise the cost is one
                propagation per possible combination of the named nodes.

        Raises:
            NetworkTooLargeError: when the named nodes have too many combinations.
            ClashError, UnknownNameError, ValueOutOfRangeError, NetworkError: as `posterior`.
        """
        found = self.encode(given, likelihoods=likelihoods, parent_likelihoods=parent_likelihoods)
        wanted = [self.names.node(test) for test in tests]
        asked = None if about is None else [self.names.node(name) for name in about]
        return gains_about(self, wanted, found, asked)

    def outcomes_of(
        self, tests: Sequence[str], nodes: Sequence[str], base: Findings | None = None
    ) -> WhatIf:
        """What would be believed after each outcome of each test, on top of the same findings.

        The same as a propagation for each outcome, but from one propagation: the outcomes share
        its beliefs, and only what is asked about is worked out. The time grows with the number of
        outcomes or of states asked about, whichever is less. An outcome with a chance below 1e-12
        counts as impossible. The ways through the network are laid out at the first call for a
        choice of tests and nodes and kept for the latest few, so ask for the same again.

        Args:
            tests: nodes of any kind, all of whose states are tried.
            nodes: nodes of any kind whose posteriors are asked for.
            base: findings all cases share, from `encode`.

        Raises:
            UnknownNameError: a node that does not exist.
            ClashError: base findings that cannot all be true.
        """
        found = base if base is not None else self.encoder.encode({})
        return self.settled(found).outcomes_of(tests, nodes)

    def settled(self, base: Findings) -> Settled:
        """One propagation through every tree, for several what-ifs on the same findings.

        Weights of 1 on a node of each tree without findings change nothing but make the kernel
        walk through it.

        Raises:
            ClashError: findings that cannot all be true.
        """
        records, numbers = self.encoder.everywhere(base)
        batch = self._allocate(1)
        work = self._run(np.array([0, len(records)]), records, numbers, batch, 0, 1)
        if batch.log_evidence[0] == -np.inf:
            raise ClashError(smallest_clash(self, base))
        return Settled(self, base, work[: int(self.plan.sizes[0])].copy(), self._told(work, batch))

    def to_arrays(self) -> dict[str, NDArray[Any]]:
        """Everything as named arrays without objects, fit for one `.npz` without pickle."""
        return plan_to_arrays(self.names, self.plan)

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> CompiledNetwork:
        """The inverse of `to_arrays`; `NetworkError` when something is missing or foreign."""
        return cls(*plan_from_arrays(arrays))

    def _meets_again(self, codes: NDArray[np.int64], base: Findings) -> NDArray[np.bool_]:
        """In which cases a leaf gets two findings, which are not independent of each other."""
        records = self.encoder.record_of_state[codes]
        is_leaf = (records[..., at.F_KIND] == at.OUTCOME_OF_LEAF) & (codes >= 0)
        about = np.where(is_leaf, records[..., at.F_ABOUT], -1)
        taken = np.isin(self.encoder.leaf_nodes, [*base.states, *base.weights])
        again = np.asarray(np.isin(about, np.flatnonzero(taken)).any(axis=1), np.bool_)
        if codes.shape[1] > 1:
            ordered = np.sort(about, axis=1)
            same = (ordered[:, 1:] == ordered[:, :-1]) & (ordered[:, 1:] >= 0)
            again |= same.any(axis=1)
        return again

    def _with_codes(self, base: Findings, codes: NDArray[np.int64]) -> Findings | None:
        """Base findings and some states; None when two states of one node are asked for."""
        states = dict(base.states)
        for code in codes[codes >= 0].tolist():
            node = int(np.searchsorted(self.names.offsets, code, "right")) - 1
            state = code - int(self.names.offsets[node])
            if states.setdefault(node, state) != state:
                return None
        return self.encoder.encode(states, base.weights, base.readings)

    def _allocate(self, cases: int) -> Batch:
        return Batch(
            np.empty((cases, int(self.plan.sizes[2]))),
            np.empty((cases, len(self.plan.leaves))),
            np.empty(cases),
        )

    def _propagate(
        self, pointer: NDArray[np.int64], records: NDArray[np.int64], numbers: NDArray[np.float64]
    ) -> Batch:
        """All cases, in as many threads as are worth it; the kernel holds no lock."""
        cases = len(pointer) - 1
        batch = self._allocate(cases)

        def run(_thread: int, first: int, last: int) -> None:
            self._run(pointer, records, numbers, batch, first, last)

        in_threads(run, cases, worth(cases, self.rows))
        return batch

    def _run(
        self,
        pointer: NDArray[np.int64],
        records: NDArray[np.int64],
        numbers: NDArray[np.float64],
        batch: Batch,
        first: int,
        last: int,
    ) -> NDArray[np.float64]:
        """Runs the kernel over some cases; returns the workspace of the last one."""
        # numba takes half a second to import
        from diagnose.inference.kernel import propagate_kernel  # noqa: PLC0415

        plan = self.plan
        work = workspace(int(plan.sizes[0]))
        propagate_kernel()(
            plan.cliques, plan.tables, plan.leaves, plan.index, plan.number,
            pointer, records, numbers, work,
            batch.marginals, batch.gains, batch.log_evidence,
            int(plan.sizes[1]), first, last,
        )  # fmt: skip
        return work


_WEIGHTED = (at.WEIGHTS_OF_NODE, at.WEIGHTS_OF_LEAF, at.WEIGHTS_OF_PARENTS)


def compile_network(
    model: Any,
    *,
    max_rows: int = 20_000_000,
    stages: Mapping[str, int] | None = None,
) -> CompiledNetwork:
    """Lays a network out for exact inference.

    Args:
        model: a `Network`, or a pgmpy `DiscreteBayesianNetwork` (see `from_pgmpy`).
        max_rows: most rows that the cliques may have together.
        stages: node -> stage in which to sum it out, for who knows the structure; a node not
            named counts as stage 0. The answers do not depend on it, only the time.

    Raises:
        UnknownNameError: a stage is given for a node that does not exist.
        NetworkError: when the tables are not a valid network, or there are no nodes.
        NetworkTooLargeError: when more rows would be needed, with the sizes named.
    """
    network = model if isinstance(model, Network) else from_pgmpy(model)
    if not network.families:
        raise NetworkError("a network needs at least one node")
    names = Names(
        tuple(family.node for family in network.families),
        tuple(family.states for family in network.families),
        network.parents,
    )
    order = None if stages is None else {names.node(name): at for name, at in stages.items()}
    plan = PlanBuilder(network, build_forest(network, max_rows, order)).plan()
    compiled = CompiledNetwork(names, plan)
    fill_priors(compiled)
    for name in Plan.__slots__:
        getattr(plan, name).setflags(write=False)
    return compiled
