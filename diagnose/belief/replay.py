"""A job gone through once more, for many fault sets side by side.

A hypothesis is a set of faults as the machine came in, with what became of it: what was measured
before a repair was measured of the parts that were in then. A repair takes faults away; a new part
that is bad itself makes a hypothesis of its own (Breese & Heckerman 1996, repair then observe).
Where loose joints are among the faults, each manner in which they may stand is a hypothesis too.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.factors import Factor
from diagnose.faults.manners import ANY, APART, COMES_AND_GOES, N_MANNERS, SHARES, TOUCHES
from diagnose.sums import by_row, inner

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.belief.factors import Step, Transition
    from diagnose.faults.behaviour import FaultSet
    from diagnose.faults.priors import Priors
    from diagnose.faults.solved import Solved

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_BRANCH = 1e-6
"""A bad new part is followed where it has this share of the belief when it goes in."""

MOST_SOLVED = 48
"""Of the likeliest so many that a bad new part makes, those that the base does not hold are solved
as well; of the others they are left out."""

LEAST_LOST = 1e-8
"""Bad new parts that are left out are weighed by what is found later one by one where they have
this share of the belief, the others all together."""


@dataclass(frozen=True, slots=True, eq=False)
class Replay:
    """What came of it.

    Attributes:
        first: (hypotheses,) row of the faults as the machine came in.
        now: (hypotheses,) row of the faults as it stands now.
        manner: (hypotheses,) how loose joints stand, see `diagnose.faults.manners`; `ANY` where
            nothing found depends on it.
        prior: (hypotheses,) prior of the faults, of the manner and of the new parts that turned
            out bad.
        like: (factors, hypotheses) likelihood of everything seen.
        weight: (hypotheses,) their product, up to one factor for all.
        log_scale: natural logarithm of that factor.
        chances: (factors,) of what was seen, as an outcome, given all before it; an unlikely one
            surprises.
        lost: bound of the weight of bad new parts that were not followed.
        missing: sets that have to be solved first; then nothing else of this holds.
        free: (free combinations,) what was found about the shared causes.
        originals: so many hypotheses, one for each set, come first.
        apart: (sets,) those of them that stand for the first manner alone; the hypotheses of the
            other manners follow the originals, all of the second, then all of the third.
    """

    first: Ints
    now: Ints
    manner: Ints
    prior: Floats
    like: Floats
    weight: Floats
    log_scale: float
    chances: Floats
    lost: float
    missing: tuple[FaultSet, ...]
    free: Floats
    originals: int
    apart: Ints

    @property
    def total(self) -> float:
        """Weight of all."""
        return float(self.weight.sum())


@dataclass(slots=True, eq=False)
class _Run:
    """What a replay holds while it goes on."""

    solved: Solved
    priors: Priors
    first: Ints
    now: Ints
    manner: Ints
    prior: Floats
    weight: Floats
    free: Floats
    lost: Floats
    lost_rows: Ints  # (lost, faults beside, 3): set without the bad part, one of them with, without
    crumbs: float = 0.0
    log_scale: float = 0.0
    like: list[Floats] = field(default_factory=list)
    chances: list[float] = field(default_factory=list)
    missing: dict[FaultSet, None] = field(default_factory=dict)

    def see(self, factor: Factor) -> None:
        """Weigh by something seen."""
        total = float(self.weight.sum())
        like, plain = self._under(factor)
        chance = inner(self.weight, plain) / total if total > 0.0 else 0.0
        self.chances.append(min(chance, 1.0))
        self.like.append(like)
        self.weight = self.weight * like
        self.lost = self.lost * self._at_most(factor)
        self.crumbs *= float(factor.like.max())
        most = float(self.weight.max(initial=0.0))
        if most > 0.0:
            self.weight /= most
            self.lost /= most
            self.crumbs /= most
            self.log_scale += float(np.log(most))

    def _under(self, factor: Factor) -> tuple[Floats, Floats]:
        """(hypotheses,) likelihood, and chance of the outcome, under each."""
        if factor.column >= 0:
            place = self.solved.place[self.now, factor.column]
            like = factor.like[self.manner, place]
            return like, like if factor.like is factor.plain else factor.plain[self.manner, place]
        if factor.cause >= self.priors.n_free:
            there = self.priors.triggers[factor.cause][self.solved.members[self.now]].any(axis=1)
            return factor.like[there.astype(int)], factor.plain[there.astype(int)]
        there = np.arange(len(self.free)) >> factor.cause & 1
        members = self.solved.members[self.first]
        joint = self.priors.joint(members) * self.free
        total = np.maximum(joint.sum(axis=1), 1e-300)
        self.free = self.free * factor.like[there]
        like = by_row(joint, factor.like[there]) / total
        if factor.like is factor.plain:
            return like, like
        return like, by_row(joint, factor.plain[there]) / total

    def _at_most(self, factor: Factor) -> Floats | float:
        """(lost,) likelihood of something seen with a bad new part that was not followed.

        A fault does no more beside several faults than beside one of them.
        """
        most = float(factor.like.max())
        if factor.column < 0:
            return most
        like = factor.like[ANY, self.solved.place[:, factor.column]]
        rows = self.lost_rows
        change = like[rows[..., 1]] / np.maximum(like[rows[..., 2]], 1e-12)
        found: Floats = np.minimum(like[rows[:, 0, 0]] * change.max(axis=1), most)
        return found

    def mend(self, done: Transition) -> None:
        """Take the faults that a repair puts right away; follow new parts that are bad."""
        self.now = self._after(done.fixed, self.now, self.missing)
        if len(self.lost):
            every = np.arange(len(self.solved.prior))
            self.lost_rows = self._after(done.fixed, every, {})[self.lost_rows]
        if not done.bad or self.missing:
            return
        faulty = self._still_faulty(done)
        open_to = np.where(faulty, 0.0, self.weight)
        parents, rows, shares, faults = self._branches(done, open_to)
        for fault, chance in done.bad.items():
            left = open_to * chance
            left[parents[faults == fault]] = 0.0
            self._lose(left, fault)
        kept = np.where(faulty, 1.0, 1.0 - sum(done.bad.values()))
        parents, rows, shares, manner = self._in_manners(parents, rows, shares, faults)
        self.first = np.concatenate([self.first, self.first[parents]])
        self.now = np.concatenate([self.now, rows])
        self.manner = np.concatenate([self.manner, manner])
        self.prior = np.concatenate([self.prior * kept, self.prior[parents] * shares])
        self.weight = np.concatenate([self.weight * kept, self.weight[parents] * shares])
        self.like = [np.concatenate([like, like[parents]]) for like in self.like]

    def _in_manners(
        self, parents: Ints, rows: Ints, shares: Floats, faults: Ints
    ) -> tuple[Ints, Ints, Floats, Ints]:
        """Bad new parts with the manner of each: its parent's, or any where it is the first."""
        manner = self.manner[parents]
        known = self.solved.loose_in(self.first[parents]) | self.solved.loose_in(self.now[parents])
        new = self.solved.loose[faults] & ~known
        parents, rows, shares = (
            np.concatenate([some[~new], *[some[new]] * len(SHARES)])
            for some in (parents, rows, shares)
        )
        stands = np.repeat(np.arange(COMES_AND_GOES, N_MANNERS), new.sum())
        shares[(~new).sum() :] *= SHARES[stands - COMES_AND_GOES]
        return parents, rows, shares, np.concatenate([manner[~new], stands])

    def _lose(self, weight: Floats, fault: int) -> None:
        """Leave out a bad new part beside the faults of each hypothesis."""
        enough = weight > LEAST_LOST * float(self.weight.sum())
        self.crumbs += float(weight[~enough].sum())
        now, pair_row, none = self.now[enough], self.solved.pair_row, self.solved.n_faults
        members = self.solved.members[now]
        members = np.where(members == none, members[:, :1], members)
        pairs, alone = pair_row[members, fault], pair_row[members, members]
        unsolved = pairs < 0
        pairs = np.where(unsolved, pair_row[fault, fault], pairs)
        alone = np.where(unsolved, pair_row[none, none], alone)
        rows = np.stack([np.broadcast_to(now[:, None], pairs.shape), pairs, alone], axis=-1)
        width = max(rows.shape[1], self.lost_rows.shape[1])
        both = (_as_wide(part, width) for part in (self.lost_rows, rows.astype(np.int64)))
        self.lost_rows = np.concatenate([*both])
        self.lost = np.concatenate([self.lost, weight[enough]])

    def _still_faulty(self, done: Transition) -> NDArray[np.bool_]:
        """(hypotheses,) whether the part still has a fault that the repair does not put right."""
        own = np.zeros(len(done.fixed), dtype=bool)
        own[list(done.bad)] = True
        members = self.solved.members[self.now]
        return np.asarray(own[members].any(axis=1), dtype=bool)

    def _after(self, fixed: NDArray[np.bool_], rows: Ints, missing: dict[FaultSet, None]) -> Ints:
        """(n,) rows without the faults put right; what is not solved is missing."""
        now, none = rows.copy(), self.solved.n_faults
        members = self.solved.members[now]
        hit = np.flatnonzero(fixed[members].any(axis=1))
        left = np.sort(np.where(fixed[members[hit]], none, members[hit]), axis=1)
        small = (left[:, 2:] == none).all(axis=1)
        both = np.concatenate([left, np.full((len(left), 2), none)], axis=1)[:, :2]
        now[hit] = np.where(small, self.solved.pair_row[both[:, 0], both[:, 1]], -1)
        for place in np.flatnonzero(now[hit] < 0).tolist():
            faults = tuple(f for f in left[place].tolist() if f < none)
            row = self.solved.row(faults)
            if row < 0:
                missing[faults] = None
            now[hit[place]] = max(row, 0)
        return now

    def _branches(self, done: Transition, weight: Floats) -> tuple[Ints, Ints, Floats, Ints]:
        """Hypotheses in which the new part is bad: parent, row now, chance, fault.

        Args:
            done: the repair.
            weight: (hypotheses,) of those in which the part could have been put right.
        """
        least = LEAST_BRANCH * float(self.weight.sum())
        chances, faults = np.array([*done.bad.values()]), np.array([*done.bad], np.int64)
        number, parents = np.nonzero(weight * chances[:, None] > least)
        order = np.argsort(-chances[number] * weight[parents], kind="stable")
        number, parents = number[order], parents[order]
        members, none = self.solved.members[self.now[parents]], self.solved.n_faults
        rows = self.solved.pair_row[members[:, 0], faults[number]].astype(np.int64)
        rows[(members[:, 1:] != none).any(axis=1)] = -1
        rows[rows >= self.solved.n_base] = -1
        unsolved: list[FaultSet] = []
        for place in np.flatnonzero(rows[:MOST_SOLVED] < 0).tolist():
            beside = self.solved.faults(int(self.now[parents[place]]))
            grown = tuple(sorted((*beside, int(faults[number[place]]))))
            rows[place] = self.solved.row(grown)
            if rows[place] < 0:
                unsolved.append(grown)
        self.missing.update(dict.fromkeys(unsolved))
        solved = rows >= 0
        number = number[solved]
        return parents[solved], rows[solved], chances[number], faults[number]


def _as_wide(rows: Ints, width: int) -> Ints:
    """(n, width, 3) the last column again in those that are not there."""
    if rows.shape[1] == width:
        return rows
    return np.pad(rows, ((0, 0), (0, width - rows.shape[1]), (0, 0)), mode="edge")


def replay(
    solved: Solved, priors: Priors, steps: Sequence[Step], rows: Ints, leave_out: int = -1
) -> Replay:
    """Go through a job.

    Args:
        solved: fault sets.
        priors: of the machine.
        steps: all that was seen and done, made for the same fault sets.
        rows: fault sets that the machine may have come in with.
        leave_out: number of a factor that is not to count.
    """
    apart = _apart(solved, steps, rows)
    at = np.concatenate([np.arange(len(rows)), apart, apart])
    manner = np.where(solved.loose_in(rows), ANY, COMES_AND_GOES)
    manner[apart] = COMES_AND_GOES
    manner = np.concatenate([manner, np.repeat((TOUCHES, APART), len(apart))])
    prior = solved.prior[rows[at]]
    prior[apart] *= SHARES[0]
    prior[len(rows) :] *= np.repeat(SHARES[1:], len(apart))
    run = _Run(
        solved, priors, rows[at], rows[at], manner, prior, prior, np.ones(len(priors.free)),
        lost=np.zeros(0), lost_rows=np.zeros((0, 1, 3), dtype=np.int64),
    )  # fmt: skip
    seen = 0
    for step in steps:
        if isinstance(step, Factor):
            if seen != leave_out:
                run.see(step)
            seen += 1
        else:
            run.mend(step)
        if run.missing and not isinstance(step, Factor):
            break
    n = len(run.now)
    return Replay(
        first=run.first,
        now=run.now,
        manner=run.manner,
        prior=run.prior,
        like=np.array(run.like).reshape(len(run.like), n),
        weight=run.weight,
        log_scale=run.log_scale,
        chances=np.array(run.chances),
        lost=float(run.lost.sum()) + run.crumbs,
        missing=tuple(run.missing),
        free=run.free,
        originals=len(rows),
        apart=apart,
    )


def _apart(solved: Solved, steps: Sequence[Step], rows: Ints) -> Ints:
    """Places among some rows of those whose manners have to be told apart.

    Before the first repair these are sets in which something that was found depends on them.
    """
    loose = np.flatnonzero(solved.loose_in(rows))
    if any(not isinstance(step, Factor) for step in steps):
        return loose
    varied = np.zeros(len(loose), dtype=bool)
    for column in {step.column for step in steps if isinstance(step, Factor) and step.test >= 0}:
        if column >= 0:
            values = solved.values[column]
            varied |= (values[:, 0] != values[:, 1])[solved.place[rows[loose], column]]
    return loose[varied]
