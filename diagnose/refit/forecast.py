"""What priors would have said of an order: of each outcome before it was seen, and of the cause."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.factors import Factor
from diagnose.refit.evidence import complaints_of
from diagnose.refit.likelihood import gone_through

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.faults.solved import Solved
    from diagnose.refit.patterns import Pattern
    from diagnose.rule.prepared import Prepared

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """Of one pattern.

    Attributes:
        tests: (findings,) number of the test of each, -1 for the complaint and checks.
        chances: (findings,) chance of what was seen, given all before it; of the complaint, among
            all that come.
        excess: (findings,) how much each surprised beyond what was to be expected, by the natural
            logarithm of its chance; NaN between two repairs.
        variance: (findings,) of that.
        slips: (findings,) probability that each was a slip, given everything.
        causes: (faults,) chance of each cause before the last repair; empty where none was named.
        named: number of the cause seen, -1 where none was.
    """

    tests: NDArray[np.int64]
    chances: Floats
    excess: Floats
    variance: Floats
    slips: Floats
    causes: Floats
    named: int


def forecasts(
    ready: Prepared, patterns: Sequence[Pattern], *, surprises: bool = True
) -> list[Forecast]:
    """The forecasts for some patterns, over the base of fault sets.

    Args:
        ready: the machine with the priors that forecast.
        patterns: of orders.
        surprises: whether excess and variance are wanted, and causes; without them it is quicker.
    """
    solved = ready.sets.now()
    comes = float(np.dot(solved.prior[: solved.n_base], complaints_of(ready.sets)))
    return [_forecast(ready, pattern, comes, surprises) for pattern in patterns]


def _forecast(ready: Prepared, pattern: Pattern, comes: float, surprises: bool) -> Forecast:
    sets, situation = ready.sets, pattern.situation
    solved, steps, done = gone_through(sets, situation)
    factors = [step for step in steps if isinstance(step, Factor)][: len(done.like)]
    total = done.total
    slips, excess = np.zeros(len(factors)), np.full((len(factors), 2), np.nan)
    weight, stretch = done.prior.copy(), {0: done.first, len(situation.past): done.now}
    for place, factor in enumerate(factors):
        if factor.test >= 0 and factor.column >= 0:
            if surprises and factor.repairs_before in stretch:
                stands = done.manner, stretch[factor.repairs_before]
                excess[place] = _excess(ready, solved, stands, weight, factor)
            if total > 0.0 and factor.slip > 0.0 and factor.slipped is None:
                share = factor.slip / np.maximum(done.like[place], 1e-300)
                slips[place] = float(np.dot(done.weight, np.minimum(share, 1.0))) / total
        weight = weight * done.like[place]
    causes, named = np.zeros(0), -1
    if surprises and pattern.cause in ready.faults:
        named = ready.faults.index(pattern.cause)
        causes = _causes(ready, pattern)
    tests = np.array([factor.test for factor in factors], dtype=np.int64)
    chances = np.maximum(done.chances[: len(factors)], 1e-12)
    chances[0] /= comes
    return Forecast(tests, chances, excess[:, 0], excess[:, 1], slips, causes, named)


def _excess(
    ready: Prepared, solved: Solved, stands: tuple[Ints, Ints], weight: Floats, factor: Factor
) -> tuple[float, float]:
    """How much more than expected an outcome surprised, and the variance of that.

    Args:
        ready: the machine.
        solved: fault sets.
        stands: (hypotheses,) manner and row of each then.
        weight: (hypotheses,) of each then.
        factor: what was seen.
    """
    manner, now = stands
    n = len(ready.sets.columns.tests[factor.test].outcomes)
    table = solved.chances.of(factor.test, n)[manner, solved.place[now, factor.column]]
    chances = np.einsum("i,ij->j", weight, table) / max(float(weight.sum()), 1e-300)
    surprise = -np.log(np.maximum(chances, 1e-12))
    expected = float(np.dot(chances, surprise))
    variance = float(np.dot(chances, surprise**2)) - expected**2
    return float(surprise[factor.outcome]) - expected, max(variance, 0.0)


def _causes(ready: Prepared, pattern: Pattern) -> Floats:
    """(faults,) chance of each as the machine came in, by what was found before the last repair."""
    sets, situation = ready.sets, pattern.situation
    before = situation
    if situation.past:
        *past, last = situation.past
        before = replace(situation, past=tuple(past), findings=last.findings)
    solved, _, done = gone_through(sets, before)
    weight = done.weight / max(done.total, 1e-300)
    found = np.zeros(solved.n_faults + 1)
    for column in solved.members[done.first].T:
        found += np.bincount(column, weight, solved.n_faults + 1)
    return np.minimum(found[:-1], 1.0)
