"""The belief over fault sets that a situation stands for.

The prior of each fault set is multiplied by the likelihood of the complaint and of every finding;
a repair moves the weight to the sets without the faults it fixes (a new part may bring its own),
and the functional check after it is one more finding. What was measured before a repair stays in
the weights (Breese & Heckerman 1996). The same answers as the network's, without its elimination:
a sum over all single faults, all pairs and the triples drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.decision.machine_problem import column_of
from diagnose.errors import ClashError, UnknownNameError
from diagnose.network.outcomes import complaint_chances
from diagnose.network.readings import reading_likelihood, slip_density
from diagnose.network.temperature import volts_to_add
from diagnose.network.words import NO, YES, check_name, past_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from diagnose.advice.situation import Finding, RepairDone, Situation
    from diagnose.decision.problem import DecisionProblem, Floats
    from diagnose.decision.ready_problems import ReadyProblems

READING = "(reading)"
LIKELIHOOD = "(likelihood)"
"""States of findings that are no plain outcome, as errors name them."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One thing that was seen.

    Attributes:
        node, state: what it is called in an error.
        likelihood: (sets,) of what was seen, given what is in the machine at that time.
    """

    node: str
    state: str
    likelihood: Floats


@dataclass(frozen=True, slots=True)
class Mended:
    """A repair that was carried out: its number."""

    repair: int


def belief_of(ready: ReadyProblems, situation: Situation) -> Floats:
    """(sets,) probability of each fault set as the machine stands now; sums to 1.

    Args:
        ready: the machine's decision problems.
        situation: complaint, findings, and what was found before each repair.

    Raises:
        UnknownNameError: a repair that the machine does not have.
        ClashError: the findings cannot all be true.
    """
    problem = ready.problem(situation.complaint)
    steps = list(_steps(ready, problem, situation))
    weights = _weigh(ready, problem, steps)
    total = float(weights.sum())
    if total > 0.0:
        found: Floats = weights / total
        return found
    raise ClashError(
        [(one.node, one.state) for one in _clash(ready, problem, steps) if isinstance(one, Seen)]
    )


def move(problem: DecisionProblem, weights: Floats, repair: int) -> Floats:
    """The weights after a repair; what the new part brings is spread by its chances.

    Args:
        problem: any of the machine's.
        weights: (hypotheses,) before.
        repair: number of the repair.
    """
    n, table = len(weights), problem.repairs
    moved: Floats = np.bincount(table.after[repair], weights, n).astype(np.float64)
    found = moved.copy()
    for fault in np.flatnonzero(table.bad[repair]):
        joined = table.joined[:, fault]
        can = joined >= 0
        share = moved[can] * table.bad[repair, fault]
        found[can] -= share
        found += np.bincount(joined[can], share, n)
    return found


def repair_number(problem: DecisionProblem, done: RepairDone) -> int:
    """The number of a repair that was carried out.

    Raises:
        UnknownNameError: there is none of that name.
    """
    name = f"{done.part}.{done.repair}"
    if name not in problem.repairs.names:
        raise UnknownNameError("repair", name, problem.repairs.names)
    return problem.repairs.names.index(name)


def _steps(
    ready: ReadyProblems, problem: DecisionProblem, situation: Situation
) -> Iterator[Seen | Mended]:
    """Everything that was seen and done, in the order of the job."""
    complaint = situation.complaint
    values = ready.space.readings(ready.behaviour.column[complaint])
    yield Seen(complaint, YES, complaint_chances(values)[:, 0])
    for number, epoch in enumerate(situation.past):
        for one in epoch.findings:
            yield _seen(ready, problem, situation, past_name(number, one.test), one)
        yield Mended(repair_number(problem, epoch.repair))
        if epoch.repair.gone is not None:
            gone = epoch.repair.gone
            like = 1.0 - problem.same if gone else problem.same
            yield Seen(check_name(number + 1), NO if gone else YES, like)
    for one in situation.findings:
        yield _seen(ready, problem, situation, one.test, one)


def _seen(
    ready: ReadyProblems,
    problem: DecisionProblem,
    situation: Situation,
    node: str,
    one: Finding,
) -> Seen:
    """A finding; what is not sure is spread over all outcomes (outcome confidence, IEEE 1232)."""
    test = ready.machine.tests[one.test]
    if one.reading is not None:
        column = column_of(ready.behaviour, test)
        values = ready.space.values[column][:, None, :]
        shift = volts_to_add(ready.machine, test, situation.temperature_celsius)
        none, whole = np.zeros_like(values), np.ones_like(values)
        density = reading_likelihood(test, one.reading + shift, values, none, whole)
        mixed = one.sure * density + (1.0 - one.sure) * slip_density(test)
        return Seen(node, READING, mixed[ready.space.place[:, column]])
    outcomes = [outcome.id for outcome in test.outcomes]
    start = problem.tables.start[problem.tests.names.index(one.test)]
    like = problem.tables.like[:, start + outcomes.index(one.outcome)]
    if one.sure == 1.0:
        return Seen(node, one.outcome, like)
    return Seen(node, LIKELIHOOD, one.sure * like + (1.0 - one.sure) / len(outcomes))


def _weigh(
    ready: ReadyProblems, problem: DecisionProblem, steps: Sequence[Seen | Mended]
) -> Floats:
    """(sets,) weights after all steps, scaled on the way so that nothing runs out of digits."""
    weights = ready.space.prior
    for step in steps:
        if isinstance(step, Mended):
            weights = move(problem, weights, step.repair)
            continue
        weights = weights * step.likelihood
        most = weights.max()
        if most <= 0.0:
            return np.zeros_like(weights)
        weights = weights / most
    return weights


def _clash(
    ready: ReadyProblems, problem: DecisionProblem, steps: Sequence[Seen | Mended]
) -> list[Seen | Mended]:
    """Steps from which no finding can be left out (deletion filter, Chinneck & Dravnieks 1991)."""
    kept = list(steps)
    for step in steps:
        fewer = [one for one in kept if one is not step]
        if isinstance(step, Seen) and not _weigh(ready, problem, fewer).any():
            kept = fewer
    return kept
