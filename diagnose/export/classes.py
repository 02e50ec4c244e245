"""Fault sets that nothing measured can tell apart, merged into the states of one node.

Two sets of faults in one region of the circuit are the same state of that region, as far as the
tests outside it are concerned, when every such test comes out alike whatever else is wrong
elsewhere (the Myhill-Nerode criterion, with "whatever else" taken over every single other fault).
The set that comes to the bench most often stands for its state.

Exact merging would keep states for combinations that one job in a million has. A set therefore
joins another state, instead of founding one, where that does less harm than the budget; harm is
defined in `diagnose.export.yardstick`. A single fault joins only what shows nearly the same alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.export.yardstick import Yardstick, difference

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.export.pairs import PairTable
    from diagnose.faults.behaviour import FaultSet

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

BUDGET = 4e-4
"""Share of the belief, after a complaint and one test, that one merging may get wrong."""

NEARLY_SAME = 0.1
"""Single faults whose chances of an outcome differ by more than this are never merged."""

GUESTS = 0.4
"""Sets that come out differently may weigh at most this share of the state they join, so that
the state's likeliest outcome stays its own."""

N_CONTEXTS = 2
"""Other faults beside which sets are compared that look alike alone."""


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """What a node must still tell apart.

    Attributes:
        columns: positions in the yardstick's columns of the tests that look at the node.
        contexts: faults that may be there besides the node's own, most probable first.
    """

    columns: Ints
    contexts: Ints


def join(*sets: FaultSet) -> FaultSet:
    """All fault sets together."""
    return tuple(sorted({fault for faults in sets for fault in faults}))


def weight_of(pairs: PairTable, faults: FaultSet) -> float:
    """How often a fault set comes to the bench: roughly its prior, where it gives a complaint."""
    prior = float(np.prod(pairs.behaviour.priors[list(faults)]))
    if len(faults) > 2:
        return prior
    return prior * float(pairs.complained[pairs.place(faults)].max())


def merge(
    yardstick: Yardstick, region: Region, candidates: Sequence[FaultSet], budget: float
) -> tuple[Ints, list[FaultSet]]:
    """States of a node whose possible fault sets are `candidates`.

    Args:
        yardstick: what every fault set shows.
        region: which tests look, and what else may be wrong.
        candidates: fault sets, the empty one among them.
        budget: harm that one merging may do.

    Returns:
        The state of each candidate, and the fault set that stands for each state; state 0 is
        the empty set's.
    """
    weights = np.array([weight_of(yardstick.pairs, faults) for faults in candidates])
    sizes = np.array([len(faults) for faults in candidates])
    order = np.lexsort((-weights, sizes))
    states = _States(yardstick, region, candidates, budget)
    for i in order[sizes[order] <= 1]:
        states.add_single(int(i), float(weights[i]))
    plural = order[sizes[order] > 1]
    if len(plural):
        states.add_plural(plural, weights)
    return states.state, [candidates[i] for i in states.leaders]


class _States:
    """The states of one node, growing."""

    def __init__(
        self,
        yardstick: Yardstick,
        region: Region,
        candidates: Sequence[FaultSet],
        budget: float,
    ) -> None:
        self.yardstick = yardstick
        self.region = region
        self.candidates = candidates
        self.budget = budget
        self.state = np.zeros(len(candidates), dtype=np.int64)
        self.leaders: list[int] = []
        self.shown = yardstick.measure(())[:, region.columns]
        self.own: list[float] = []
        self.guests: list[float] = []

    def found(self, leader: int, shown: NDArray[np.uint8], weight: float) -> int:
        """A new state."""
        self.leaders.append(leader)
        self.shown = np.concatenate([self.shown, shown[None]])
        self.own.append(weight)
        self.guests.append(0.0)
        return len(self.leaders) - 1

    def add_single(self, i: int, weight: float) -> None:
        """Places the empty set or a single fault."""
        shown = self.yardstick.measure([self.candidates[i]])[0, self.region.columns]
        apart = difference(self.shown, shown).max(axis=(1, 2), initial=0.0)
        alike = np.flatnonzero(apart <= NEARLY_SAME)
        harm = np.array([self._harm_beside(i, int(k)) for k in alike])
        if len(harm) and harm.min() <= self.budget:
            self.state[i] = alike[harm.argmin()]
            self.own[self.state[i]] += weight
        else:
            self.state[i] = self.found(i, shown, weight)

    def _harm_beside(self, i: int, state: int) -> float:
        """Harm of a single fault in a state, alone and beside every fault of elsewhere."""
        pairs = self.yardstick.pairs
        beside = np.append(pairs.none, self.region.contexts)[:, None]
        (own,), (leader,) = (
            (pairs.place(self.candidates[k])[:1]) for k in (i, self.leaders[state])
        )
        columns = self.region.columns
        differs = difference(
            self.yardstick.shown[own, beside, columns],
            self.yardstick.shown[leader, beside, columns],
        )
        harm = differs * self.yardstick.weight[own, beside, columns]
        return float(harm.max(axis=(1, 2), initial=0.0).sum())

    def add_plural(self, plural: Ints, weights: Floats) -> None:
        """Places the sets of two and more, those that show the same together."""
        shown = self.yardstick.measure([self.candidates[i] for i in plural])
        shown = shown[:, self.region.columns]
        groups: dict[bytes, list[int]] = {}
        for row in range(len(plural)):
            groups.setdefault(shown[row].tobytes(), []).append(row)
        doubtful: list[tuple[Ints, Ints]] = []
        for rows in groups.values():
            members = plural[rows]
            ties = self._add_group(members, shown[rows[0]], float(weights[members].sum()))
            if len(ties) > 1:
                doubtful.append((members, ties))
        self._settle(doubtful)

    def _add_group(self, members: Ints, shown: NDArray[np.uint8], weight: float) -> Ints:
        """Places sets that show the same; returns the states that would do as well."""
        pairs = self.yardstick.pairs
        two = [pairs.place(self.candidates[i]) for i in members if len(self.candidates[i]) == 2]
        differs = difference(self.shown, shown)
        wrong = differs.sum(axis=(1, 2))
        harm = np.zeros(len(wrong))
        if two:
            first, second = np.array(two).T
            own = self.yardstick.weight[first[:, None], second[:, None], self.region.columns]
            harm = (differs * own.sum(axis=0)).max(axis=(1, 2), initial=0.0)
        nearest = int(np.lexsort((wrong, harm))[0])
        crowded = (
            wrong[nearest] > 0.0 and self.guests[nearest] + weight > GUESTS * self.own[nearest]
        )
        if two and (crowded or harm[nearest] > self.budget):
            self.state[members] = self.found(int(members[0]), shown, weight)
            return np.zeros(0, np.int64)
        self.state[members] = nearest
        into = self.guests if wrong[nearest] > 0.0 else self.own
        into[nearest] += weight
        return np.flatnonzero((wrong == wrong[nearest]) & (harm == harm[nearest]))

    def _settle(self, doubtful: Sequence[tuple[Ints, Ints]]) -> None:
        """Of states that look alike alone, takes those alike beside the likeliest other faults."""
        contexts = [(int(c),) for c in self.region.contexts[:N_CONTEXTS]]
        if not doubtful or not contexts:
            return
        asked = [int(i) for members, _ in doubtful for i in members]
        rivals = sorted({int(k) for _, ties in doubtful for k in ties})
        compared = [*asked, *(self.leaders[k] for k in rivals)]
        sets = [join(self.candidates[i], context) for i in compared for context in contexts]
        shown = self.yardstick.measure(sets)[:, self.region.columns]
        shown = shown.reshape(len(compared), -1)
        rival = {k: len(asked) + row for row, k in enumerate(rivals)}
        row = 0
        for members, ties in doubtful:
            places = [rival[int(k)] for k in ties]
            for i in members:
                wrong = difference(shown[places], shown[row]).sum(axis=1)
                self.state[i] = ties[int(wrong.argmin())]
                row += 1
