"""Which sets of faults a machine may have, and how likely each is.

No fault, every single one and every pair are all there, with their exact prior: the sum over the
states of the shared causes of the product of the parts' tables (`diagnose.network.priors`). Sets of
three are drawn from the prior; those drawn stand for everything with three and more faults.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from diagnose.network.priors import root_families
from diagnose.network.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.decision.problem import Floats, Ints
    from diagnose.inference.families import Family
    from diagnose.machine.model import Machine
    from diagnose.network.behaviour import Behaviour, FaultSet

N_TRIPLES = 3000
"""Draws of three faults at once."""

BLOCK = 4000
"""Fault sets weighed side by side."""


class Roots:
    """Shared causes, parts and the unlisted fault, with their tables.

    Attributes:
        parts: ids of the parts, the unlisted one last.
        causes: ids of the shared causes that are things of their own.
        combinations: (2 ** causes, causes) every combination of them absent and present.
    """

    def __init__(self, behaviour: Behaviour) -> None:
        """From a machine's own priors."""
        machine = behaviour.machine
        self._machine: Machine = machine
        self._families: dict[str, Family] = {one.node: one for one in root_families(machine)}
        self._faults = behaviour.faults
        self.parts = (*machine.parts, UNLISTED)
        self.causes = tuple(c.id for c in machine.shared_causes.values() if c.part is None)
        self.combinations = np.array(list(product((0, 1), repeat=len(self.causes))), dtype=np.int64)
        place = {part: i for i, part in enumerate(self.parts)}
        self._place = np.array([place[part] for part, _ in behaviour.faults])
        self._mode = np.array(
            [self._families[part].states.index(mode) for part, mode in behaviour.faults]
        )

    def states(self, sets: Sequence[FaultSet]) -> Ints:
        """(sets, parts) state of every part."""
        found = np.zeros((len(sets), len(self.parts)), dtype=np.int32)
        for row, one in enumerate(sets):
            for fault in one:
                found[row, self._place[fault]] = self._mode[fault]
        return found

    def present(self, cause: str, states: Ints) -> Ints:
        """(sets or 1, combinations or 1) whether a shared cause is there."""
        known = self._machine.shared_causes[cause]
        if known.part is None:
            own = self.combinations[None, :, self.causes.index(cause)]
            return own.astype(np.int32)
        modes = self._families[known.part].states
        state = states[:, self.parts.index(known.part)]
        found = np.isin(state, [modes.index(mode) for mode in known.modes])
        return found[:, None].astype(np.int32)

    def cause_prior(self) -> Floats:
        """(combinations,) of the shared causes."""
        prior = np.ones(len(self.combinations))
        for i, cause in enumerate(self.causes):
            prior *= self._families[cause].table[self.combinations[:, i]]
        return prior

    def weights(self, sets: Sequence[FaultSet]) -> Floats:
        """(sets, combinations) exact prior of each fault set with each combination of causes."""
        found = np.empty((len(sets), len(self.combinations)))
        for start in range(0, len(sets), BLOCK):
            states = self.states(sets[start : start + BLOCK])
            block = np.tile(self.cause_prior(), (len(states), 1))
            for i, part in enumerate(self.parts):
                family = self._families[part]
                above = [self.present(cause, states) for cause in family.parents]
                block *= family.table[(*above, states[:, i, None])]
            found[start : start + BLOCK] = block
        return found

    def draw(self, n: int, rng: np.random.Generator) -> Ints:
        """(n, parts) states drawn from the prior."""
        combination = rng.choice(len(self.combinations), n, p=self.cause_prior())
        states = np.zeros((n, len(self.parts)), dtype=np.int32)
        known = {c: self.combinations[combination, i] for i, c in enumerate(self.causes)}
        for name, family in self._families.items():
            if name in self._machine.shared_causes:
                if name not in known:
                    known[name] = self.present(name, states)[:, 0]
                continue
            rows = family.table[tuple(known[cause] for cause in family.parents)]
            ends = np.broadcast_to(np.cumsum(rows, axis=-1), (n, rows.shape[-1]))
            below = rng.random(n)[:, None] >= ends[:, :-1]
            states[:, self.parts.index(name)] = below.sum(axis=1)
        return states

    def sets_of(self, states: Ints) -> list[FaultSet]:
        """The fault set of each row of part states."""
        number = {
            (int(place), int(mode)): fault
            for fault, (place, mode) in enumerate(zip(self._place, self._mode, strict=True))
        }
        found: list[list[int]] = [[] for _ in states]
        for row, place in zip(*np.nonzero(states), strict=True):
            found[row].append(number[int(place), int(states[row, place])])
        return [tuple(sorted(one)) for one in found]


@dataclass(frozen=True, slots=True, eq=False)
class FaultSpace:
    """All hypotheses of a machine.

    Attributes:
        sets: fault sets; none, all singles, all pairs, then the triples drawn.
        prior: (sets,) probability; sums to 1.
        causes: by shared cause (sets,) chance that it is there, given the fault set.
        values: for each observable (different readings, 2) the pairs of readings it can show.
        place: (sets, observables) which of them it shows under each fault set.
        index: fault set -> row.
    """

    sets: tuple[FaultSet, ...]
    prior: Floats
    causes: Mapping[str, Floats]
    values: tuple[Floats, ...]
    place: NDArray[np.uint16]
    index: Mapping[FaultSet, int]

    def readings(self, column: int) -> Floats:
        """(sets, 2) readings of one observable, as `Behaviour.readings` gives them."""
        found: Floats = self.values[column][self.place[:, column]]
        return found


def make_fault_space(behaviour: Behaviour, n_triples: int = N_TRIPLES, seed: int = 0) -> FaultSpace:
    """The hypotheses of a machine.

    Args:
        behaviour: its readings.
        n_triples: draws of three faults at once.
        seed: of the draws.
    """
    roots = Roots(behaviour)
    n, part = len(behaviour.faults), behaviour.part_of
    sets: list[FaultSet] = [(), *((f,) for f in range(n))]
    sets += [pair for pair in combinations(range(n), 2) if part[pair[0]] != part[pair[1]]]
    index = np.array([(*one, n, n)[:2] for one in sets])
    readings = behaviour.pairs[index[:, 0], index[:, 1]]
    weights = roots.weights(sets)
    triples = _draw_triples(roots, n_triples, np.random.default_rng(seed))
    if triples:
        rare = roots.weights(list(triples))
        share = np.array(list(triples.values()), dtype=np.float64)
        share *= max(1.0 - weights.sum(), 0.0) / share.sum() / rare.sum(axis=1)
        weights = np.concatenate([weights, rare * share[:, None]])
        readings = np.concatenate([readings, behaviour.readings(list(triples))])
        sets += list(triples)
    prior = weights.sum(axis=1)
    states = roots.states(sets)
    causes = {
        cause: (weights * roots.present(cause, states)).sum(axis=1) / np.maximum(prior, 1e-300)
        for cause in behaviour.machine.shared_causes
    }
    values, place = different_readings(readings)
    return FaultSpace(
        sets=tuple(sets),
        prior=prior / prior.sum(),
        causes=causes,
        values=values,
        place=place,
        index={one: row for row, one in enumerate(sets)},
    )


def different_readings(readings: Floats) -> tuple[tuple[Floats, ...], NDArray[np.uint16]]:
    """What each observable can show, and which of it each fault set shows.

    Args:
        readings: (sets, observables, 2).

    Returns:
        For each observable (different readings, 2), and (sets, observables) rows of these.
    """
    both = np.ascontiguousarray(readings).view(np.complex128)[..., 0]
    values, place = [], np.empty(both.shape, dtype=np.uint16)
    for column in range(both.shape[1]):
        found, place[:, column] = np.unique(both[:, column], return_inverse=True)
        values.append(np.stack([found.real, found.imag], axis=1))
    return tuple(values), place


def _draw_triples(roots: Roots, wanted: int, rng: np.random.Generator) -> Counter[FaultSet]:
    """Sets of exactly three faults as often as they were drawn."""
    counts: Counter[FaultSet] = Counter()
    for _ in range(50):
        if counts.total() >= wanted:
            break
        states = roots.draw(20_000, rng)
        states = states[np.count_nonzero(states, axis=1) == 3]
        counts.update(roots.sets_of(states[: wanted - counts.total()]))
    return counts
