"""How likely a pattern is under each fault set: worked out once, since no prior enters.

Only what a bad new part would have is shared out by the shipped priors; its chance is a few in a
thousand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.factors import Factor, steps_of
from diagnose.belief.frontier import began
from diagnose.belief.replay import replay
from diagnose.belief.search import search

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from diagnose.belief.factors import Step
    from diagnose.belief.replay import Replay
    from diagnose.belief.situation import Situation
    from diagnose.faults.behaviour import FaultSet
    from diagnose.faults.solved import Solved, SolvedSets
    from diagnose.refit.patterns import Pattern

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_SHARE = 1e-5
"""A fault set with less than this share of a pattern's mass is left out of it."""

SURPRISE = 0.01
"""Where something was found that the base of fault sets gives less chance than this, larger sets
are searched for."""

LABEL_ERROR = 0.05
"""Share of causes said to be seen on the part that were another one. Estimate."""


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """A pattern's likelihood.

    Attributes:
        sets: the fault sets under which it is worth mentioning.
        like: (sets,) its likelihood under each, over the largest of them.
        free: (free combinations,) the same of what was found about the shared causes.
        log_scale: natural logarithm of the largest.
        left_out: bound of the share of its mass, under the priors it was made with, left out.
    """

    sets: tuple[FaultSet, ...]
    like: Floats
    free: Floats
    log_scale: float
    left_out: float


def make_rows(
    sets: SolvedSets,
    patterns: Sequence[Pattern],
    label_error: float = LABEL_ERROR,
    progress: Callable[[int, int], None] | None = None,
) -> list[Row]:
    """The likelihood of each pattern.

    Args:
        sets: of the machine, with the shipped priors.
        patterns: the stories.
        label_error: see `LABEL_ERROR`.
        progress: called with the patterns done and the patterns in all.
    """
    rows = []
    for number, pattern in enumerate(patterns):
        rows.append(make_row(sets, pattern, label_error))
        if progress is not None:
            progress(number + 1, len(patterns))
    return rows


def gone_through(sets: SolvedSets, situation: Situation) -> tuple[Solved, list[Step], Replay]:
    """A job gone through for the base of fault sets; what bad new parts lead to is solved."""
    solved = sets.now()
    asked: dict[FaultSet, None] = {}
    while True:
        steps = steps_of(sets, solved, situation)
        done = replay(solved, sets.priors, steps, np.arange(solved.n_base))
        if not done.missing:
            return solved, steps, done
        asked |= dict.fromkeys(done.missing)
        solved = sets.with_sets([*asked])


def make_row(sets: SolvedSets, pattern: Pattern, label_error: float = LABEL_ERROR) -> Row:
    """The likelihood of one pattern; arguments as of `make_rows`."""
    solved, steps, done = gone_through(sets, pattern.situation)
    left_out = 0.0
    if done.total <= 0.0 or min(done.chances[1:], default=1.0) < SURPRISE:
        with np.errstate(invalid="ignore"):  # of what nothing at all can give, it has no bound
            found = search(sets, pattern.situation, bound=False)
        solved, steps, left_out = found.solved, list(found.steps), found.left_out
        done = found.replay
    rows = done.first[: done.originals]
    kept, free = _apart(sets, steps)
    if len(kept) < len(steps):
        done = replay(solved, sets.priors, kept, rows)
    label = _label(sets, solved, rows, pattern, label_error)
    return _sparse(sets, solved, done, free, label, left_out)


def _apart(sets: SolvedSets, steps: Sequence[Step]) -> tuple[list[Step], Floats]:
    """The job without what was found about the shared causes, and that as a factor over them."""
    n_free, free = sets.priors.n_free, np.ones(len(sets.priors.free))
    bits = np.arange(len(free))
    kept = []
    for step in steps:
        if isinstance(step, Factor) and 0 <= step.cause < n_free and step.column < 0:
            free = free * step.like[bits >> step.cause & 1]
        else:
            kept.append(step)
    return kept, free


def _label(
    sets: SolvedSets, solved: Solved, rows: Ints, pattern: Pattern, error: float
) -> Floats | float:
    """(rows,) likelihood of the cause that was seen; 1 where none was."""
    if pattern.cause is None or pattern.cause not in sets.behaviour.faults:
        return 1.0
    fault, n = sets.behaviour.faults.index(pattern.cause), sets.behaviour.n_listed
    there = (solved.members[rows] == fault).any(axis=1)
    found: Floats = (1.0 - error) * there + error / n
    return found


def _sparse(
    sets: SolvedSets,
    solved: Solved,
    done: Replay,
    free: Floats,
    label: Floats | float,
    left_out: float,
) -> Row:
    """A pattern's row, what hardly weighs left out."""
    rows, at = done.first[: done.originals], began(solved, done)
    weight = np.bincount(at, done.weight, done.originals) * label
    prior = solved.prior[rows]
    there = (sets.priors.joint(solved.members[rows]) @ free) / np.maximum(prior, 1e-300)
    mass = weight * there
    total = float(mass.sum())
    if not total > 0.0:
        return Row((), np.zeros(0), free, -np.inf, 1.0)
    kept = np.flatnonzero((mass > LEAST_SHARE * total) & (prior > 0.0))
    like = weight[kept] / prior[kept]
    most = float(like.max())
    named = tuple(solved.faults(int(row)) for row in rows[kept])
    lost = 1.0 - float(mass[kept].sum()) / total + done.lost / total
    scale = float(np.log(most)) + done.log_scale
    return Row(named, like / most, free, scale, min(left_out + lost, 1.0))
