"""A job gone through once more, for many fault sets side by side.

A hypothesis is a set of faults as the machine came in, with what became of it: what was measured
before a repair was measured of the parts that were in then. A repair takes faults away; a new part
that is bad itself makes a hypothesis of its own (Breese & Heckerman 1996, repair then observe).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.factors import Factor

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


@dataclass(frozen=True, slots=True, eq=False)
class Replay:
    """What came of it.

    Attributes:
        first: (hypotheses,) row of the faults as the machine came in.
        now: (hypotheses,) row of the faults as it stands now.
        prior: (hypotheses,) prior of the faults and of the new parts that turned out bad.
        like: (factors, hypotheses) likelihood of everything seen.
        weight: (hypotheses,) their product, up to one factor for all.
        log_scale: natural logarithm of that factor.
        chances: (factors,) of what was seen, as an outcome, given all before it; an unlikely one
            surprises.
        lost: weight of bad new parts that were not followed.
        missing: sets that have to be solved first; then nothing else of this holds.
        free: (free combinations,) what was found about the shared causes.
        originals: so many hypotheses have no bad new part; they come first.
    """

    first: Ints
    now: Ints
    prior: Floats
    like: Floats
    weight: Floats
    log_scale: float
    chances: Floats
    lost: float
    missing: tuple[FaultSet, ...]
    free: Floats
    originals: int

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
    prior: Floats
    weight: Floats
    free: Floats
    log_scale: float = 0.0
    lost: float = 0.0
    like: list[Floats] = field(default_factory=list)
    chances: list[float] = field(default_factory=list)
    missing: dict[FaultSet, None] = field(default_factory=dict)

    def see(self, factor: Factor) -> None:
        """Weigh by something seen."""
        total = float(self.weight.sum())
        like, plain = self._under(factor)
        chance = float(self.weight @ plain) / total if total > 0.0 else 0.0
        self.chances.append(min(chance, 1.0))
        self.like.append(like)
        self.weight = self.weight * like
        most = float(self.weight.max(initial=0.0))
        if most > 0.0:
            self.weight /= most
            self.lost /= most
            self.log_scale += float(np.log(most))

    def _under(self, factor: Factor) -> tuple[Floats, Floats]:
        """(hypotheses,) likelihood, and chance of the outcome, under each."""
        if factor.column >= 0:
            place = self.solved.place[self.now, factor.column]
            return factor.like[place], factor.plain[place]
        if factor.cause >= self.priors.n_free:
            there = self.priors.triggers[factor.cause][self.solved.members[self.now]].any(axis=1)
            return factor.like[there.astype(int)], factor.plain[there.astype(int)]
        there = np.arange(len(self.free)) >> factor.cause & 1
        members = self.solved.members[self.first]
        joint = self.priors.joint(members) * self.free
        total = np.maximum(joint.sum(axis=1), 1e-300)
        self.free = self.free * factor.like[there]
        like = joint @ factor.like[there] / total
        return like, like if factor.like is factor.plain else joint @ factor.plain[there] / total

    def mend(self, done: Transition) -> None:
        """Take the faults that a repair puts right away; follow new parts that are bad."""
        self.now = self._after(done.fixed)
        if not done.bad or self.missing:
            return
        parents, rows, shares = self._branches(done)
        taken = np.zeros(len(self.now))
        taken[~self._still_faulty(done)] = sum(done.bad.values())
        begun = self.weight[parents] * shares
        self.lost += max(float(self.weight @ taken) - float(begun.sum()), 0.0)
        self.first = np.concatenate([self.first, self.first[parents]])
        self.now = np.concatenate([self.now, rows])
        self.prior = np.concatenate([self.prior * (1.0 - taken), self.prior[parents] * shares])
        self.weight = np.concatenate([self.weight * (1.0 - taken), begun])
        self.like = [np.concatenate([like, like[parents]]) for like in self.like]

    def _still_faulty(self, done: Transition) -> NDArray[np.bool_]:
        """(hypotheses,) whether the part still has a fault that the repair does not put right."""
        own = np.zeros(len(done.fixed), dtype=bool)
        own[list(done.bad)] = True
        members = self.solved.members[self.now]
        return np.asarray(own[members].any(axis=1), dtype=bool)

    def _after(self, fixed: NDArray[np.bool_]) -> Ints:
        """(hypotheses,) rows without the faults put right."""
        now, none = self.now.copy(), self.solved.n_faults
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
                self.missing[faults] = None
            now[hit[place]] = max(row, 0)
        return now

    def _branches(self, done: Transition) -> tuple[Ints, Ints, Floats]:
        """Hypotheses in which the new part is bad: parent, row now, chance."""
        weight = np.where(self._still_faulty(done), 0.0, self.weight)
        total = float(self.weight.sum())
        shares = [(f, p, h) for f, p in done.bad.items() for h in np.flatnonzero(
            weight * p > LEAST_BRANCH * total
        ).tolist()]  # fmt: skip
        shares.sort(key=lambda share: -share[1] * float(weight[share[2]]))
        found: list[tuple[int, int, float]] = []
        unsolved: list[FaultSet] = []
        for place, (fault, chance, parent) in enumerate(shares):
            faults = tuple(sorted((*self.solved.faults(int(self.now[parent])), fault)))
            row = self.solved.row(faults)
            if 0 <= row < self.solved.n_base or (row >= 0 and place < MOST_SOLVED):
                found.append((parent, row, chance))
            elif place < MOST_SOLVED:
                unsolved.append(faults)
        self.missing.update(dict.fromkeys(unsolved))
        parents, rows, chances = zip(*found, strict=True) if found else ((), (), ())
        return np.array(parents, np.int64), np.array(rows, np.int64), np.array(chances)


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
    prior = solved.prior[rows]
    run = _Run(solved, priors, rows, rows, prior, prior, np.ones(len(priors.free)))
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
        prior=run.prior,
        like=np.array(run.like).reshape(len(run.like), n),
        weight=run.weight,
        log_scale=run.log_scale,
        chances=np.array(run.chances),
        lost=run.lost,
        missing=tuple(run.missing),
        free=run.free,
        originals=len(rows),
    )
