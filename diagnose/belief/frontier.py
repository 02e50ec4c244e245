"""What stands below the fault sets looked at: further faults that could matter, and what they add.

Sets are extended by one fault at a time (`diagnose.belief.extensions`). What changes nothing that
was found raises the weight of the set; what could weigh much is worth solving; the rest is bounded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.draws import drawn_evenly, error_of_sum
from diagnose.belief.extensions import compare_pairs, extend, room_of
from diagnose.belief.factors import Factor
from diagnose.faults.manners import SHARES
from diagnose.sums import inner

if TYPE_CHECKING:
    from diagnose.belief.factors import Step
    from diagnose.belief.replay import Replay
    from diagnose.faults.behaviour import FaultSet
    from diagnose.faults.solved import Solved, SolvedSets

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WORTH_TRYING = 3e-4
"""A set that can have no more than this share of the belief is not solved for it."""

WORTH_A_ROUND = 4e-3
"""Nor is any, when all that are worth solving can have no more than this together."""

HEAVY = 1e-4
"""Sets that weigh, or whose extensions could weigh, this share of the belief are extended in any
case; lighter ones only to bound what was left out."""

LIGHT = 256
"""Of all lighter ones so many are drawn for that."""

LEAST_NOTED = 3e-9
"""Extensions that could have no more than this share of the belief are bounded roughly."""

KEPT_APART = 1e-4
"""Sets that weigh this share of the belief are met with silent faults by themselves."""


@dataclass(frozen=True, slots=True, eq=False)
class Frontier:
    """What stands below the sets looked at.

    Attributes:
        first, fault: (extensions,) row and further fault of each loud extension worth noting.
        bound: (extensions,) bound of its share of the belief.
        times: (extensions,) for how many each stands.
        scale: weight, not scaled, that is a share of 1.
        loud: sum of the bounds of those below sets that weigh something.
        raised: (originals,) by what silent faults added to each raise its weight.
        extra: as in `SearchResult`.
        left_out: upper bound of the share of all that was not looked at.
    """

    first: Ints
    fault: Ints
    bound: Floats
    times: Floats
    scale: float
    loud: float
    raised: Floats
    extra: Floats
    left_out: float

    def extension(self, solved: Solved, at: int) -> FaultSet:
        """The fault set of an extension."""
        return tuple(sorted((*solved.faults(int(self.first[at])), int(self.fault[at]))))

    def best(self, solved: Solved, count: int) -> list[FaultSet]:
        """The extensions that may weigh most, as far as they are worth solving."""
        worth = np.flatnonzero(self.bound > WORTH_TRYING)
        if float(self.bound[worth].sum()) < WORTH_A_ROUND:
            return []
        order = worth[np.argsort(-self.bound[worth], kind="stable")[:count]]
        return [self.extension(solved, at) for at in order.tolist()]

    def drawn(self, solved: Solved, count: int) -> tuple[list[FaultSet], Floats]:
        """Loud extensions drawn evenly by their bounds, and the bounds, not scaled."""
        at = drawn_evenly(self.bound * self.times, count)
        return [self.extension(solved, place) for place in at.tolist()], self.bound[at] * self.scale


class Below:
    """What extensions of the sets looked at may weigh."""

    def __init__(self, sets: SolvedSets, solved: Solved, steps: list[Step], done: Replay) -> None:
        """For a job that has been gone through."""
        n, originals = solved.n_faults, done.originals
        self._sets, self._solved, self._done = sets, solved, done
        self._first, self._began = done.first[:originals], began(solved, done)
        weight = np.bincount(self._began, done.weight, originals)
        self._weight = np.asarray(weight, dtype=np.float64)
        self._like = _likelihoods(steps, done)
        self._members = solved.members[self._first]
        self._rank, self._order = _order(solved, self._weight, self._members)
        self._quiet, self._ceiling = np.empty((n + 1, n), dtype=np.bool_), np.empty((n + 1, n))
        self._change = np.empty((n + 1, n, len(self._like)))
        ahead = np.empty((n + 1, n + 1, len(self._like)))
        compare_pairs(
            solved.pair_row, solved.n_base, self._like, self._order,
            self._quiet, self._change, self._ceiling, ahead,
        )  # fmt: skip
        self._last = np.empty(originals, dtype=np.int64)
        self._room = np.empty(originals)
        room_of(self._members, self._like, ahead, self._rank, self._last, self._room)
        self._priors = sets.behaviour.priors
        self._part_of = np.append(sets.behaviour.part_of, -1).astype(np.int64)
        self._grown = self._grown_below()

    def frontier(self) -> Frontier:
        """What could be worth solving, and what silent faults add."""
        done, n = self._done, self._solved.n_faults
        raised, none = np.ones(done.originals), np.zeros(0, dtype=np.int64)
        if done.total <= 0.0:
            zero = np.zeros(0)
            return Frontier(none, none, zero, zero, 0.0, 0.0, raised, np.zeros(n), 1.0)
        heavy = np.flatnonzero(self._could() > HEAVY)
        at, bound, extra, silent, loud = self._extended(heavy)
        raised += silent
        light = np.ones(done.originals, dtype=bool)
        light[heavy] = False
        raised[light] = _mean_raise(self._weight, raised, heavy)
        whole = inner(self._weight, raised)
        left_out = (float(loud.sum()) + done.lost) / whole
        scale = whole * float(np.exp(done.log_scale))
        bound = bound / whole
        return Frontier(
            self._first[at // n], at % n, bound, np.ones(len(at)), scale, float(bound.sum()),
            raised, extra / whole, left_out,
        )  # fmt: skip

    def with_light(self, heavy: Frontier) -> Frontier:
        """The same with what stands below all other sets, as far as it can be bounded.

        Where they are many, some are drawn by what their extensions could weigh, to stand for all;
        two standard errors are added.
        """
        could, n = self._could(), self._solved.n_faults
        others = np.flatnonzero((could <= HEAVY) & (could > 0.0))
        if not len(others):
            return heavy
        drawn, often = np.arange(len(others)), np.ones(len(others), dtype=np.int64)
        times = np.ones(len(others))
        if len(others) > LIGHT:
            drawn, often = np.unique(drawn_evenly(could[others], LIGHT), return_counts=True)
            times = often * could[others].sum() / LIGHT / could[others[drawn]]
        standing = np.zeros(len(could))
        standing[others[drawn]] = times
        at, bound, _, silent, loud = self._extended(others[drawn])
        silent = np.maximum(silent - heavy.raised + 1.0, 0.0)
        each = (self._weight * silent + loud)[others[drawn]] * times
        error = error_of_sum(each, often) if len(others) > LIGHT else 0.0
        light = float(each.sum()) + 2.0 * error
        whole = inner(self._weight, heavy.raised)
        return replace(
            heavy,
            first=np.concatenate([heavy.first, self._first[at // n]]),
            fault=np.concatenate([heavy.fault, at % n]),
            bound=np.concatenate([heavy.bound, bound / whole]),
            times=np.concatenate([heavy.times, standing[at // n]]),
            left_out=min(heavy.left_out + light / whole, 1.0),
        )

    def _could(self) -> Floats:
        """(originals,) share of the belief that each has, or its extensions could have, roughly."""
        later = np.append(np.cumsum(self._priors[self._order][::-1])[::-1], 0.0)
        could = self._weight * self._room * later[self._last + 1]
        found: Floats = np.maximum(could, self._weight) / self._done.total
        return found

    def _extended(self, parents: Ints) -> tuple[Ints, Floats, Floats, Floats, Floats]:
        """See `diagnose.belief.extensions.extend`.

        Returns:
            Place (set times faults, plus fault) and bound of each loud extension noted, weight of
            silent faults, (originals,) weight of silent extensions over each set's own, and
            (originals,) the bound of all others.
        """
        n, solved, done = self._solved.n_faults, self._solved, self._done
        extra, silent, below = np.zeros(n), np.zeros(done.originals), np.zeros(done.originals)
        places, bounds = [], []
        most, total = self._like.max(axis=1), done.total
        for part, (table, at) in self._sets.extensions(solved, self._first, parents, done.free):
            noted, bound = np.empty(len(part) * n, dtype=np.int64), np.empty(len(part) * n)
            loud = np.empty(len(part))
            count = extend(
                part, self._members, self._weight, self._like, most, self._room, self._last,
                self._quiet, self._change, self._ceiling, self._order, self._part_of, table, at,
                solved.pair_row, solved.n_base, *self._grown, LEAST_NOTED * total,
                KEPT_APART * total, noted, bound, extra, silent, loud,
            )  # fmt: skip
            places.append(noted[:count].copy())
            bounds.append(bound[:count].copy())
            below[part] = self._weight[part] * loud
        return np.concatenate(places), np.concatenate(bounds), extra, silent, below

    def _grown_below(self) -> tuple[Ints, Ints, Ints]:
        """Sets beyond the base that are another one with one fault more, as `extend` takes them."""
        solved, first = self._solved, self._first
        place_of = np.full(len(solved.prior), -1)
        place_of[first] = np.arange(len(first))
        found = [
            (int(place_of[parent]), fault, at)
            for at in range(solved.n_base, self._done.originals)
            for faults in [solved.faults(int(first[at]))]
            for fault in faults
            for parent in [solved.row(tuple(f for f in faults if f != fault))]
            if parent >= 0 and place_of[parent] >= 0
        ]
        table = np.array(sorted(found), dtype=np.int64).reshape(-1, 3)
        start = np.searchsorted(table[:, 0], np.arange(len(first) + 1))
        return start, table[:, 1].copy(), table[:, 2].copy()


def _likelihoods(steps: list[Step], done: Replay) -> Floats:
    """(findings, originals) of everything seen; all about shared causes together.

    What is found of one cause bears on the next, so that only their product does not depend on
    the order.
    """
    factors = [step for step in steps if isinstance(step, Factor)]
    about_causes = np.array([factor.column < 0 for factor in factors])
    like = done.like[:, : done.originals]
    if len(done.apart):
        like = like.copy()
        like[:, done.apart] = _whatever_manner(done)
    together = like[about_causes].prod(axis=0, keepdims=True)
    return np.concatenate([like[~about_causes], together])


def _whatever_manner(done: Replay) -> Floats:
    """(findings, sets told apart) likelihood of each thing seen, given all seen before it.

    In no matter what manner loose joints stand: the product is that of the set.
    """
    n, count = done.originals, len(done.apart)
    hypotheses = np.stack([done.apart, *np.arange(n, n + 2 * count).reshape(2, count)])
    weight = np.repeat(SHARES[:, None], count, axis=1)
    found = np.empty((len(done.like), count))
    for number, like in enumerate(done.like):
        weight *= like[hypotheses]
        found[number] = weight.sum(axis=0)
        weight /= np.maximum(found[number], 1e-300)
    return found


def _mean_raise(weight: Floats, raised: Floats, heavy: Ints) -> float:
    """By what silent faults raise the weight of all sets that were extended."""
    whole = float(weight[heavy].sum())
    return inner(weight[heavy], raised[heavy]) / whole if whole > 0.0 else 1.0


def began(solved: Solved, done: Replay) -> Ints:
    """(hypotheses,) place among the originals of the set that each came in as."""
    place_of = np.zeros(len(solved.prior), dtype=np.int64)
    place_of[done.first[: done.originals]] = np.arange(done.originals)
    return place_of[done.first]


def _order(solved: Solved, weight: Floats, members: Ints) -> tuple[Ints, Ints]:
    """(faults + 1,) place of each fault, the likeliest first, and (faults,) the order itself."""
    n = solved.n_faults
    chance = np.zeros(n + 1)
    for column in members.T:
        chance += np.bincount(column, weight, n + 1)
    order = np.argsort(-np.round(chance[:n] / max(float(weight.sum()), 1e-300), 12), kind="stable")
    rank = np.full(n + 1, -1, dtype=np.int64)
    rank[order] = np.arange(n)
    return rank, order
