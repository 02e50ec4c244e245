"""The search for the fault sets that matter.

It begins with the base of the machine and extends the leading sets by one fault at a time, best
first by weight and an upper bound of what the fault can still explain (Henrion 1991, search-based
bounds; Poole 1996), until what is left out is bounded below `GOOD_ENOUGH` of the belief, or so
many sets have been tried. The same job finds the same sets whatever was solved before it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.extensions import compare_pairs, extend, reach, room_of
from diagnose.belief.factors import steps_of
from diagnose.belief.replay import replay

if TYPE_CHECKING:
    from diagnose.belief.factors import Step
    from diagnose.belief.replay import Replay
    from diagnose.belief.situation import Situation
    from diagnose.faults.behaviour import FaultSet
    from diagnose.faults.solved import Solved, SolvedSets

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

Search = Literal["bounded", "sampled", "budget"]

GOOD_ENOUGH = 0.004
"""What may be left out, as a share of the belief; with what is too light to be surveyed it is half
a percent."""

MOST_TRIED, MOST_WORK = 256, 4e5
"""Sets beyond the base that one answer asks for, and the work that solving them may take (see
`Behaviour.work`): a tenth of a second."""

TRIED_AT_ONCE, LEAST_TRIED = 128, 16
"""Sets solved side by side at most, and sets tried whatever they cost."""

WORTH_TRYING = 3e-4
"""A set that can have no more than this share of the belief is not solved for it."""

WORTH_A_ROUND = 4e-3
"""Nor is any, when all that are worth solving can have no more than this together."""

HEAVY = 2e-5
"""Sets that weigh, or whose extensions could weigh, this share of the belief are extended in any
case; lighter ones only to bound what was left out."""

PASSED_OVER = 1e-3
"""Sets whose extensions could together have no more than this share of the belief are not
extended; what they could have is counted as left out."""

LEAST_NOTED = 3e-9
"""Extensions that could have no more than this share of the belief are bounded roughly."""

SAYS_NOTHING, STAND_INS = 0.02, 128
"""From this share of the belief on, that loud extensions could have together, so many of them are
drawn to stand for all."""

SAMPLED = 64
"""Extensions drawn to estimate what was left out."""


@dataclass(frozen=True, slots=True, eq=False)
class SearchResult:
    """What was found.

    Attributes:
        solved: the fault sets.
        steps: all that was seen and done, made for them.
        replay: the job gone through.
        factor: (hypotheses,) by what silent faults added to each raise its weight; for one drawn
            to stand for others, for how many it stands.
        extra: (faults,) share of the silent faults beyond those in the sets themselves.
        left_out: share of all weight that was not looked at: an upper bound, or an estimate with
            two standard errors added.
        search: `bounded` below `GOOD_ENOUGH`; `sampled`, when only the estimate is; else `budget`.
    """

    solved: Solved
    steps: tuple[Step, ...]
    replay: Replay
    factor: Floats
    extra: Floats
    left_out: float
    search: Search


def search(sets: SolvedSets, situation: Situation, *, bound: bool = True) -> SearchResult:
    """Find the fault sets that matter in a situation.

    Args:
        sets: of the machine.
        situation: what was told, seen and done.
        bound: whether to work out what was left out; it changes nothing else.

    Raises:
        UnknownNameError: a repair that the machine does not have.
    """
    most = int(np.clip(MOST_WORK / sets.behaviour.work, LEAST_TRIED, MOST_TRIED))
    grown: dict[FaultSet, None] = {}
    while True:
        solved, steps, done = _gone_through(sets, situation, [*grown])
        below = Below(sets, solved, done)
        frontier = below.frontier()
        full = len(grown) >= most
        tried = [] if full else frontier.best(solved, min(TRIED_AT_ONCE, most - len(grown)))
        if not tried:
            break
        grown |= dict.fromkeys(tried)
    if bound and done.total > 0.0:
        frontier = below.with_light(frontier)
    left_out, kind = _remainder(
        sets, situation, frontier, solved, min(SAMPLED, most) if bound else 0
    )
    raised = frontier.raised
    if frontier.loud > SAYS_NOTHING:
        drawn, times = _stand_ins(below.frontier(), solved, min(STAND_INS, most))
        solved, steps, done = _gone_through(sets, situation, [*grown, *drawn])
        raised = np.concatenate([raised, times])
    factor = raised[began(solved, done)]
    return SearchResult(solved, tuple(steps), done, factor, frontier.extra, left_out, kind)


def _gone_through(
    sets: SolvedSets, situation: Situation, larger: list[FaultSet]
) -> tuple[Solved, list[Step], Replay]:
    """The job gone through for the base and some larger sets; what it leads to is solved."""
    asked = dict.fromkeys(larger)
    while True:
        solved = sets.with_sets([*asked])
        steps = steps_of(sets, solved, situation)
        rows = np.array([*range(solved.n_base), *map(solved.row, larger)], dtype=np.int64)
        done = replay(solved, sets.priors, steps, rows)
        if not done.missing:
            return solved, steps, done
        asked |= dict.fromkeys(done.missing)


def _stand_ins(frontier: Frontier, solved: Solved, count: int) -> tuple[list[FaultSet], Floats]:
    """Loud extensions drawn to stand for all of them, and for how many each stands.

    Where many sets of little weight together could weigh much, a sample of them, drawn evenly by
    their bounds, is weighed in their place: importance sampling (Fung & Chang 1990).
    """
    drawn, bounds = frontier.drawn(solved, count)
    whole = float(frontier.bound.sum()) * frontier.scale
    times: dict[FaultSet, float] = {}
    for faults, share in zip(drawn, bounds.tolist(), strict=True):
        times[faults] = times.get(faults, 0.0) + whole / share / count
    return list(times), np.array(list(times.values()))


def _remainder(
    sets: SolvedSets, situation: Situation, frontier: Frontier, solved: Solved, count: int
) -> tuple[float, Search]:
    """How much was left out; sampled where the bound says too little."""
    if frontier.left_out <= GOOD_ENOUGH:
        return frontier.left_out, "bounded"
    drawn, bounds = frontier.drawn(solved, count)
    if not drawn:
        return frontier.left_out, "budget"
    asked, done = dict.fromkeys(drawn), None
    while done is None or done.missing:
        asked |= dict.fromkeys(done.missing if done is not None else ())
        now = sets.with_sets([*asked])
        rows = np.array([now.row(faults) for faults in drawn], dtype=np.int64)
        done = replay(now, sets.priors, steps_of(sets, now, situation), rows)
    weight = done.prior[: len(drawn)] * done.like[:, : len(drawn)].prod(axis=0)
    share = weight / np.maximum(bounds, 1e-300)
    mean, error = float(share.mean()), float(share.std(ddof=1)) / len(share) ** 0.5
    left_out = min(frontier.left_out, frontier.left_out * (mean + 2.0 * error))
    return left_out, "sampled" if left_out <= GOOD_ENOUGH else "budget"


@dataclass(frozen=True, slots=True, eq=False)
class Frontier:
    """What stands below the sets looked at.

    Attributes:
        first, fault: (extensions,) row and further fault of each loud extension worth noting.
        bound: (extensions,) bound of its share of the belief.
        scale: weight, not scaled, that is a share of 1.
        loud: sum of the bounds of those below sets that weigh something.
        raised: (originals,) by what silent faults added to each raise its weight.
        extra: as in `SearchResult`.
        left_out: upper bound of the share of all that was not looked at.
    """

    first: Ints
    fault: Ints
    bound: Floats
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
        ends = np.cumsum(self.bound)
        if not count or not len(ends) or not ends[-1] > 0.0:
            return [], np.zeros(0)
        at = np.searchsorted(ends, (np.arange(count) + 0.5) / count * ends[-1])
        return [self.extension(solved, place) for place in at.tolist()], self.bound[at] * self.scale


class Below:
    """What extensions of the sets looked at may weigh."""

    def __init__(self, sets: SolvedSets, solved: Solved, done: Replay) -> None:
        """For a job that has been gone through."""
        n, originals = solved.n_faults, done.originals
        self._sets, self._solved, self._done = sets, solved, done
        self._first, self._began = done.first[:originals], began(solved, done)
        weight = np.bincount(self._began, done.weight, originals)
        self._weight = np.asarray(weight, dtype=np.float64)
        self._like = np.ascontiguousarray(done.like[:, :originals])
        self._members = solved.members[self._first]
        self._rank, self._order = _order(solved, self._weight, self._members)
        self._pair_like = _pair_like(solved, self._like)
        self._quiet, self._ceiling = np.empty((n + 1, n), dtype=np.bool_), np.empty((n + 1, n))
        self._change = np.empty((n + 1, n, len(self._like)))
        compare_pairs(self._pair_like, self._quiet, self._change, self._ceiling)
        self._last = np.empty(originals, dtype=np.int64)
        self._room = np.empty(originals)
        ahead = np.empty_like(self._pair_like)
        reach(self._pair_like, self._order, ahead)
        room_of(self._members, self._like, ahead, self._rank, self._last, self._room)
        self._priors = sets.behaviour.priors
        self._part_of = np.append(sets.behaviour.part_of, -1).astype(np.int64)

    def frontier(self) -> Frontier:
        """What could be worth solving, and what silent faults add."""
        done, n = self._done, self._solved.n_faults
        raised, none = np.ones(done.originals), np.zeros(0, dtype=np.int64)
        if done.total <= 0.0:
            return Frontier(none, none, np.zeros(0), 0.0, 0.0, raised, np.zeros(n), 1.0)
        heavy = np.flatnonzero(self._could() > HEAVY)
        at, bound, extra, silent, loud = self._extended(heavy)
        raised[heavy] += silent
        whole = done.total + float(self._weight[heavy] @ silent)
        left_out = (float(self._weight[heavy] @ loud) + done.lost) / whole
        scale = whole * float(np.exp(done.log_scale))
        bound = bound / whole
        return Frontier(
            self._first[at // n], at % n, bound, scale, float(bound.sum()), raised,
            extra / whole, left_out,
        )  # fmt: skip

    def with_light(self, heavy: Frontier) -> Frontier:
        """The same with a bound of what stands below all other sets."""
        could, n = self._could(), self._solved.n_faults
        others, passed_over = _parents(np.where(could > HEAVY, 0.0, could))
        if not len(others):
            return heavy
        at, bound, _, silent, loud = self._extended(others)
        below = float(self._weight[others] @ (silent + loud))
        whole = float(self._weight @ heavy.raised)
        return replace(
            heavy,
            first=np.concatenate([heavy.first, self._first[at // n]]),
            fault=np.concatenate([heavy.fault, at % n]),
            bound=np.concatenate([heavy.bound, bound / whole]),
            left_out=min(heavy.left_out + below / whole + passed_over, 1.0),
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
            silent faults, and for each parent the weight of its silent extensions and the bound of
            all others, over its own.
        """
        n = self._solved.n_faults
        room = len(parents) * n
        ratio = self._sets.extension(self._solved, self._first[parents], self._done.free)
        noted, bound = np.empty(room, dtype=np.int64), np.empty(room)
        extra, silent, loud = np.zeros(n), np.empty(len(parents)), np.empty(len(parents))
        count = extend(
            parents, self._members, self._weight, self._like, self._like.max(axis=1), self._room,
            self._last, self._quiet, self._change, self._ceiling, self._order, self._part_of,
            ratio, _looked_at(self._solved, self._done, parents),
            LEAST_NOTED * self._done.total, noted, bound, extra, silent, loud,
        )  # fmt: skip
        at = parents[noted[:count] // n] * n + noted[:count] % n
        return at, bound[:count].copy(), extra, silent, loud


def began(solved: Solved, done: Replay) -> Ints:
    """(hypotheses,) place among the originals of the set that each came in as."""
    place_of = np.zeros(len(solved.prior), dtype=np.int64)
    place_of[done.first[: done.originals]] = np.arange(done.originals)
    return place_of[done.first]


def _parents(could: Floats) -> tuple[Ints, float]:
    """Sets worth extending, and what the extensions of the others could weigh.

    Args:
        could: (originals,) bound of the share of the belief of all extensions of each.
    """
    falling = np.argsort(-could, kind="stable")
    rest = np.cumsum(could[falling][::-1])[::-1]
    count = int(np.searchsorted(-rest, -PASSED_OVER))
    return np.sort(falling[:count]), float(rest[count]) if count < len(rest) else 0.0


def _order(solved: Solved, weight: Floats, members: Ints) -> tuple[Ints, Ints]:
    """(faults + 1,) place of each fault, the likeliest first, and (faults,) the order itself."""
    n = solved.n_faults
    chance = np.zeros(n + 1)
    for column in members.T:
        chance += np.bincount(column, weight, n + 1)
    order = np.argsort(-chance[:n], kind="stable")
    rank = np.full(n + 1, -1, dtype=np.int64)
    rank[order] = np.arange(n)
    return rank, order


def _pair_like(solved: Solved, like: Floats) -> Floats:
    """(factors, faults + 1, faults + 1) likelihoods under sets of up to two faults, -1 unsolved."""
    padded = np.concatenate([like[:, : solved.n_base], np.full((len(like), 1), -1.0)], axis=1)
    rows = np.where(solved.pair_row < solved.n_base, solved.pair_row, -1)
    found: Floats = padded[:, rows]
    return found


def _looked_at(solved: Solved, done: Replay, parents: Ints) -> NDArray[np.bool_]:
    """(parents, faults) whether the set with one fault more is among the originals itself."""
    n, members = solved.n_faults, solved.members[done.first[parents]]
    found = np.zeros((len(members), n), dtype=np.bool_)
    small = np.flatnonzero((members < n).sum(axis=1) <= 1)
    rows = solved.pair_row[members[small].min(axis=1), :n]
    found[small] = (rows >= 0) & (rows < solved.n_base)
    place_of = np.full(len(solved.prior), -1)
    place_of[done.first[parents]] = np.arange(len(parents))
    for row in done.first[solved.n_base : done.originals].tolist():
        faults = solved.faults(row)
        for fault in faults:
            parent = solved.row(tuple(f for f in faults if f != fault))
            if parent >= 0 and place_of[parent] >= 0:
                found[place_of[parent], fault] = True
    return found


def replay_without(sets: SolvedSets, found: SearchResult, factor: int) -> Replay:
    """The same job without one thing that was seen."""
    rows = found.replay.first[: found.replay.originals]
    return replay(found.solved, sets.priors, found.steps, rows, factor)
