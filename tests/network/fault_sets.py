"""The referee: posteriors by summing over fault sets, each solved as a whole circuit.

It shares with the network the circuit solver, the instrument model (`outcome_chances`) and the
tables of the roots, and nothing of what lies between: no nodes, no merging, no clique tree. All
sets of up to two faults are there with their exact prior; sets of three and more are drawn from
the prior and stand for all the rest.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.outcomes import cause_chances, complaint_chances, outcome_chances
from diagnose.faults.words import UNLISTED, YES
from tests.network.forward import Predictions

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from diagnose.inference.families import Family, Network
    from diagnose.machine.model import Machine, Test
    from diagnose.faults.behaviour import Behaviour, FaultSet


@dataclass(frozen=True)
class Roots:
    """The roots of a machine's network: shared causes of their own, parts, the unlisted fault."""

    behaviour: Behaviour
    network: Network

    @property
    def machine(self) -> Machine:
        return self.behaviour.machine

    @cached_property
    def causes(self) -> tuple[str, ...]:
        return tuple(c.id for c in self.machine.shared_causes.values() if c.part is None)

    @cached_property
    def combinations(self) -> np.ndarray:
        """(2 ** causes, causes) every combination of causes absent and present."""
        return np.array(list(product((0, 1), repeat=len(self.causes))), dtype=np.int64)

    def family(self, node: str) -> Family:
        return self.network.families[self.network.index[node]]

    @cached_property
    def parts(self) -> tuple[str, ...]:
        return (*self.machine.parts, UNLISTED)

    def part_states(self, sets: Sequence[FaultSet]) -> np.ndarray:
        """(sets, parts) state of every part."""
        place = {part: i for i, part in enumerate(self.parts)}
        found = np.zeros((len(sets), len(self.parts)), dtype=np.int64)
        for row, one in enumerate(sets):
            for fault in one:
                part, mode = self.behaviour.faults[fault]
                found[row, place[part]] = self.family(part).states.index(mode)
        return found

    def present(self, cause: str, states: np.ndarray) -> np.ndarray:
        """(sets or 1, combinations or 1) whether a shared cause is there."""
        known = self.machine.shared_causes[cause]
        if known.part is None:
            return self.combinations[None, :, self.causes.index(cause)]
        modes = self.family(known.part).states
        own = states[:, self.parts.index(known.part)]
        return np.isin(own, [modes.index(mode) for mode in known.modes])[:, None].astype(np.int64)

    def cause_prior(self) -> np.ndarray:
        """(combinations,)"""
        priors = np.array([self.family(cause).table for cause in self.causes]).reshape(-1, 2)
        return np.prod(priors[np.arange(len(self.causes)), self.combinations], axis=1)

    def weights(self, sets: Sequence[FaultSet]) -> np.ndarray:
        """(sets, combinations) exact prior of each fault set with each combination of causes."""
        states = self.part_states(sets)
        found = np.tile(self.cause_prior(), (len(sets), 1))
        for i, part in enumerate(self.parts):
            family = self.family(part)
            above = [self.present(cause, states) for cause in family.parents]
            found *= family.table[(*above, states[:, i, None])]
        return found

    def draw(self, n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
        """Worlds from the prior: (n,) combination of causes, (n, parts) states."""
        combo = rng.choice(len(self.combinations), n, p=self.cause_prior())
        states = np.zeros((n, len(self.parts)), dtype=np.int64)
        known = {cause: self.combinations[combo, i] for i, cause in enumerate(self.causes)}
        for family in (self.network.families[i] for i in self.network.topological_order):
            name = family.node
            if name in self.machine.shared_causes and name not in known:
                known[name] = self.present(name, states)[:, 0]
            elif name in self.parts:
                rows = family.table[tuple(known[cause] for cause in family.parents)]
                ends = np.broadcast_to(np.cumsum(rows, axis=-1), (n, rows.shape[-1]))
                below = rng.random(n)[:, None] >= ends[:, :-1]
                states[:, self.parts.index(name)] = below.sum(axis=1)
        return combo, states

    def fault_sets(self, states: np.ndarray) -> list[FaultSet]:
        """The fault set of each row of part states."""
        number = {fault: i for i, fault in enumerate(self.behaviour.faults)}
        found: list[list[int]] = [[] for _ in states]
        for row, place in zip(*np.nonzero(states), strict=True):
            part = self.parts[place]
            found[row].append(number[part, self.family(part).states[states[row, place]]])
        return [tuple(sorted(one)) for one in found]


@dataclass(frozen=True)
class Instruments:
    """Chances of every outcome and complaint, given readings; each kind of reading once."""

    behaviour: Behaviour

    def column(self, test: Test) -> int:
        own = test.id in self.behaviour.column
        return self.behaviour.column[test.id if own else str(test.function)]

    def outcomes(self, test: Test, readings: np.ndarray) -> np.ndarray:
        """(sets, outcomes)"""
        values, place = np.unique(readings[:, self.column(test)], axis=0, return_inverse=True)
        return outcome_chances(test, values)[place.ravel()]

    def complaint(self, complaint: str, readings: np.ndarray) -> np.ndarray:
        """(sets, 2) made or not."""
        return complaint_chances(readings[:, self.behaviour.column[complaint]])


class FaultSetReferee:
    """Joint probabilities of findings with every fault, summed over fault sets.

    Attributes:
        sets: the fault sets: all of up to two faults, then those drawn.
        n_exact: how many of them are not drawn.
        left_out: prior mass of three and more faults.
    """

    def __init__(self, behaviour: Behaviour, network: Network, n_larger: int, seed: int) -> None:
        """Solves all sets; `n_larger` sets of three and more faults are drawn, 0 for none."""
        self.roots = Roots(behaviour, network)
        self.instruments = Instruments(behaviour)
        self.behaviour = behaviour
        n = len(behaviour.faults)
        part = behaviour.part_of
        self.sets: list[FaultSet] = [(), *((f,) for f in range(n))]
        self.sets += [pair for pair in combinations(range(n), 2) if part[pair[0]] != part[pair[1]]]
        self.n_exact = len(self.sets)
        self.weights = self.roots.weights(self.sets)
        self.left_out = 1.0 - float(self.weights.sum())
        index = np.array([(*one, n, n)[:2] for one in self.sets])
        self.readings = behaviour.pairs[index[:, 0], index[:, 1]]
        if n_larger:
            self._add_larger(n_larger, np.random.default_rng(seed))
        self.states = self.roots.part_states(self.sets)
        self.tables = Predictions(network, behaviour, self.sets)
        self._known: dict[str, np.ndarray] = {}
        lengths = [len(one) for one in self.sets]
        self._rows = np.repeat(np.arange(len(self.sets)), lengths)
        self._faults = np.array([f for one in self.sets for f in one], dtype=np.int64)

    def _add_larger(self, wanted: int, rng: np.random.Generator) -> None:
        """Draws from the prior, each set once, weighted by how often it came up."""
        counts: Counter[FaultSet] = Counter()
        while counts.total() < wanted:
            _, states = self.roots.draw(50_000, rng)
            states = states[np.count_nonzero(states, axis=1) >= 3]
            counts.update(self.roots.fault_sets(states[: wanted - counts.total()]))
        larger = list(counts)
        weights = self.roots.weights(larger)
        share = np.array(list(counts.values())) / wanted * self.left_out / weights.sum(axis=1)
        self.weights = np.concatenate([self.weights, weights * share[:, None]])
        self.readings = np.concatenate([self.readings, self.behaviour.readings(larger)])
        self.sets = self.sets + larger

    def solved(self, node: str) -> np.ndarray:
        """(sets, outcomes) chance of each outcome of a test, or of a complaint: the circuit's."""
        if node not in self._known:
            test = self.behaviour.machine.tests.get(node)
            if test is None:
                self._known[node] = self.instruments.complaint(node, self.readings)
            else:
                self._known[node] = self.instruments.outcomes(test, self.readings)
        return self._known[node]

    def joint(
        self, evidence: Mapping[str, str], chances: Callable[[str], np.ndarray]
    ) -> np.ndarray:
        """(sets,) probability of each fault set together with the findings."""
        tests = self.behaviour.machine.tests
        weights = self.weights
        given = np.ones(len(self.sets))
        for node, state in evidence.items():
            test = tests.get(node)
            if test is None:
                given *= chances(node)[:, 0 if state == YES else 1]
                continue
            outcome = [one.id for one in test.outcomes].index(state)
            if test.cause is None:
                given *= chances(node)[:, outcome]
            else:
                there = self.roots.present(test.cause, self.states)
                weights = weights * cause_chances(test)[there, outcome]
        found: np.ndarray = given * weights.sum(axis=1)
        return found

    def by_fault(self, joint: np.ndarray) -> np.ndarray:
        """(faults,) sum over the sets that hold each fault."""
        return np.bincount(self._faults, joint[self._rows], len(self.behaviour.faults))
