"""Fault sets that nothing measured can tell apart, merged into the states of one node.

Two sets of faults in one region of the circuit are the same state of that region, as far as the
tests outside it are concerned, when every such test comes out alike whatever else is wrong
elsewhere (the Myhill-Nerode criterion, with "whatever else" taken over every single other fault).
The most probable set of a state stands for it.

Exact merging would keep states for combinations that one job in a million has. A set therefore
joins the nearest state, instead of founding one, when what that gets wrong weighs less than
`BUDGET`: the prior of the set, times that of the other fault it takes to show, times the share of
tests that come out differently. A single fault on its own is never given away like that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.network.outcomes import bin_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.network.behaviour import Behaviour, FaultSet

Bins = NDArray[np.int8]
Ints = NDArray[np.int64]

BUDGET = 2.5e-6
"""Prior weight of wrong comparisons that one merging may cost, before any repair."""

BUDGET_AFTER_REPAIRS = 5e-7
"""The same once something was repaired: what is left to suspect is rarer by then."""

GUESTS = 0.4
"""Sets that come out differently may weigh at most this share of the state they join, so that
the state's likeliest outcome stays its own."""

N_CONTEXTS = 2
"""Other faults against which sets of two or more are compared when none alone decides."""


@dataclass(frozen=True, slots=True, eq=False)
class Yardstick:
    """Which outcome every test and complaint that looks into the tree gives.

    Attributes:
        behaviour: the machine's readings.
        columns: columns of the behaviour that a test or complaint reads.
        pairs: (faults + 1, faults + 1, columns, 2) index of the outcome under every pair.
        known: outcomes of the larger fault sets asked for so far.
        budget: prior weight of wrong comparisons that one merging may cost.
    """

    behaviour: Behaviour
    columns: tuple[int, ...]
    pairs: Bins
    known: dict[FaultSet, Bins]
    budget: float

    def measure(self, fault_sets: Sequence[FaultSet]) -> Bins:
        """(cases, columns, 2) index of the outcome of every column."""
        none = len(self.behaviour.faults)
        short = [i for i, one in enumerate(fault_sets) if len(one) <= 2]
        long = [i for i, one in enumerate(fault_sets) if len(one) > 2]
        bins = np.empty((len(fault_sets), len(self.columns), 2), np.int8)
        first = [(*fault_sets[i], none, none)[0] for i in short]
        second = [(*fault_sets[i], none, none)[1] for i in short]
        bins[short] = self.pairs[first, second]
        new = list({fault_sets[i] for i in long} - self.known.keys())
        if new:
            read = self.behaviour.readings(new)
            self.known.update(
                zip(new, outcome_bins(self.behaviour, self.columns, read), strict=True)
            )
        for i in long:
            bins[i] = self.known[fault_sets[i]]
        return bins


def outcome_bins(
    behaviour: Behaviour, columns: Sequence[int], readings: NDArray[np.float64]
) -> Bins:
    """(..., columns, 2) index of the outcome that each reading falls into."""
    tests = {
        behaviour.column[t.id]: t
        for t in behaviour.machine.tests.values()
        if t.id in behaviour.column
    }
    bins = np.empty((*readings.shape[:-2], len(columns), 2), np.int8)
    for i, column in enumerate(columns):
        read = np.nan_to_num(readings[..., column, :])
        test = tests.get(column)
        if test is None or test.function is not None or test.kind == "wiggle":
            bins[..., i, :] = read
        elif test.kind == "look":
            bins[..., i, :] = np.round(read * 20)
        else:
            bins[..., i, :] = bin_of(test, read)
    return bins


def make_yardstick(behaviour: Behaviour, columns: Sequence[int], budget: float) -> Yardstick:
    """A yardstick over the given columns, with all pairs measured."""
    bins = outcome_bins(behaviour, columns, behaviour.pairs)
    return Yardstick(behaviour, tuple(columns), bins, {}, budget)


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """What a node must still tell apart.

    Attributes:
        columns: positions in the yardstick's columns of the tests that look at the node.
        contexts: faults that may be there besides the node's own, most probable first.
    """

    columns: Ints
    contexts: Ints


def join(one: FaultSet, other: FaultSet) -> FaultSet:
    """Both fault sets together."""
    return tuple(sorted({*one, *other}))


def weight_of(behaviour: Behaviour, faults: FaultSet) -> float:
    """Rough prior of a fault set: the product of its marginals."""
    return float(np.prod(behaviour.priors[list(faults)]))


def merge(
    yardstick: Yardstick, region: Region, candidates: Sequence[FaultSet]
) -> tuple[Ints, list[FaultSet]]:
    """States of a node whose possible fault sets are `candidates`.

    Args:
        yardstick: which outcomes every fault set gives.
        region: which tests look, and what else may be wrong.
        candidates: fault sets, the empty one among them.

    Returns:
        The state of each candidate, and the fault set that stands for each state; state 0 is
        the empty set's.
    """
    behaviour = yardstick.behaviour
    weights = np.array([weight_of(behaviour, one) for one in candidates])
    sizes = np.array([len(one) for one in candidates])
    state = np.zeros(len(candidates), dtype=np.int64)
    singles = [i for i in np.lexsort((-weights, sizes)) if sizes[i] <= 1]
    leaders = _merge_singles(yardstick, region, candidates, weights, singles, state)
    plural = [i for i in np.lexsort((-weights, sizes)) if sizes[i] > 1]
    if plural:
        _merge_plural(yardstick, region, candidates, weights, plural, state, leaders)
    return state, [candidates[i] for i in leaders]


def _merge_singles(
    yardstick: Yardstick,
    region: Region,
    candidates: Sequence[FaultSet],
    weights: NDArray[np.float64],
    singles: list[int],
    state: Ints,
) -> list[int]:
    """Place the empty set and the single faults; returns the candidates that lead a state."""
    none = len(yardstick.behaviour.faults)
    faults = np.array([(*candidates[i], none)[0] for i in singles])
    cells = np.ix_(faults, np.append(none, region.contexts), region.columns)
    bins = yardstick.pairs[cells].reshape(len(faults), 1 + len(region.contexts), -1)
    share = yardstick.behaviour.priors[region.contexts] / max(bins.shape[2], 1)
    lead: list[int] = []
    for row, i in enumerate(singles):
        differs = bins[lead] != bins[row]
        alone = differs[:, 0].any(axis=1)
        cost = weights[i] * (differs[:, 1:].sum(axis=2) @ share)
        cost[alone] = np.inf
        if lead and cost.min() <= yardstick.budget:
            state[i] = int(cost.argmin())
        else:
            state[i] = len(lead)
            lead.append(row)
    return [singles[row] for row in lead]


def _merge_plural(
    yardstick: Yardstick,
    region: Region,
    candidates: Sequence[FaultSet],
    weights: NDArray[np.float64],
    plural: list[int],
    state: Ints,
    leaders: list[int],
) -> None:
    """Place sets of two and more; those that found a state are appended to the leaders."""
    columns = region.columns
    bins = yardstick.measure([candidates[i] for i in plural])[:, columns]
    bins = bins.reshape(len(plural), -1)
    lead = yardstick.measure([candidates[i] for i in leaders])[:, columns]
    lead = lead.reshape(len(leaders), -1)
    groups: dict[bytes, float] = {}
    for row, i in enumerate(plural):
        key = bins[row].tobytes()
        groups[key] = groups.get(key, 0.0) + weights[i]
    own = [float(weights[i]) for i in leaders]
    guests = [0.0] * len(leaders)
    doubtful = []
    for row, i in enumerate(plural):
        wrong = (lead != bins[row]).mean(axis=1) if bins.shape[1] else np.zeros(len(lead))
        nearest = int(wrong.argmin())
        group = groups[bins[row].tobytes()]
        founds = len(candidates[i]) == 2
        crowded = wrong[nearest] > 0.0 and guests[nearest] + group > GUESTS * own[nearest]
        if founds and (crowded or group * wrong[nearest] > yardstick.budget):
            state[i] = len(leaders)
            leaders.append(i)
            lead = np.vstack([lead, bins[row]])
            own.append(float(weights[i]))
            guests.append(0.0)
            continue
        state[i] = nearest
        if wrong[nearest] > 0.0:
            guests[nearest] += float(weights[i])
        else:
            own[nearest] += float(weights[i])
        ties = np.flatnonzero(wrong == wrong[nearest])
        if len(ties) > 1:
            doubtful.append((i, ties))
    _settle_ties(yardstick, region, candidates, doubtful, state, leaders)


def _settle_ties(
    yardstick: Yardstick,
    region: Region,
    candidates: Sequence[FaultSet],
    doubtful: list[tuple[int, Ints]],
    state: Ints,
    leaders: list[int],
) -> None:
    """Among states that look alike alone, take the one alike beside the likeliest other faults."""
    contexts = [(int(c),) for c in region.contexts[:N_CONTEXTS]]
    if not doubtful or not contexts:
        return
    rivals = sorted({int(k) for _, ties in doubtful for k in ties})
    asked = [candidates[i] for i, _ in doubtful] + [candidates[leaders[k]] for k in rivals]
    sets = [join(one, context) for one in asked for context in contexts]
    bins = yardstick.measure(sets)[:, region.columns].reshape(len(asked), -1)
    place = {k: len(doubtful) + row for row, k in enumerate(rivals)}
    for row, (i, ties) in enumerate(doubtful):
        wrong = [(bins[row] != bins[place[int(k)]]).sum() for k in ties]
        state[i] = ties[int(np.argmin(wrong))]
