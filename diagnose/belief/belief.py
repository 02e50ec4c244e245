"""What is believed of a machine, given all that was told, seen and done."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.factors import Factor
from diagnose.belief.replay import replay
from diagnose.belief.search import by_first, replay_without, search
from diagnose.belief.survey import (
    blocks_of,
    mixture_of,
    reads_good,
    single_tables,
    survey,
    with_silent,
)
from diagnose.errors import ClashError
from diagnose.faults.manners import ANY, COMES_AND_GOES, N_MANNERS
from diagnose.faults.tried import always_runs, check_shares, with_slips
from diagnose.sums import inner, mixed

if TYPE_CHECKING:
    from diagnose.belief.replay import Replay
    from diagnose.belief.search import Search, SearchResult
    from diagnose.belief.situation import Situation
    from diagnose.belief.survey import Survey
    from diagnose.faults.solved import Solved, SolvedSets

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DROPPED = 1e-3
"""The lightest fault sets, up to this share of the belief together, are not surveyed."""

SURELY_DOUBTED = 0.5
"""A finding that is more likely a slip than this is looked at again before anything else."""

LEAST_DOUBT = 0.01
"""A finding that is less likely a slip than this is not doubted at all."""


@dataclass(frozen=True, slots=True)
class Surprise:
    """How likely something seen was, given all before it.

    Attributes:
        node: what was seen: a test's id, the complaint's, or `check_<repair>`.
        chance: its probability, as an outcome.
        repairs_before: repairs done by then.
    """

    node: str
    chance: float
    repairs_before: int


@dataclass(frozen=True, slots=True)
class Doubt:
    """A finding that does not fit the others.

    Attributes:
        test: id of the test.
        slip: probability that it is a slip and something else is there.
        otherwise: the outcome that the other findings make likeliest.
        chance: its probability, without this finding.
    """

    test: str
    slip: float
    otherwise: str
    chance: float


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """What is believed.

    Attributes:
        members: (n, width) the fault sets that matter, as the machine stands now, the likeliest
            first; padded with the number that stands for none.
        weight: (n,) their probabilities; they sum to 1.
        there: (n, causes) chance that each shared cause is there, given the set.
        manners: (n, 3) shares of the manners in which loose joints stand, given the set.
        survey: what is to be expected of every test.
        shows: (results,) chance of what trying the machine now would show, see
            `diagnose.faults.tried.check_results`.
        log_evidence: natural logarithm of the probability (density, for readings) of all that was
            told and seen.
        surprises: of everything told and seen, in order.
        likeliest_slip: the finding most likely to be a slip, where that is likely at all.
        left_out: upper bound of the probability that was not looked at.
        search: whether that bound is good enough; see `SearchResult`.
    """

    members: Ints
    weight: Floats
    there: Floats
    manners: Floats
    survey: Survey
    shows: Floats
    log_evidence: float
    surprises: tuple[Surprise, ...]
    likeliest_slip: Doubt | None
    left_out: float
    search: Search

    @property
    def doubt(self) -> Doubt | None:
        """The finding to look at again whatever is done next: it is more likely a slip than not."""
        found = self.likeliest_slip
        return found if found is not None and found.slip > SURELY_DOUBTED else None

    @property
    def nbytes(self) -> int:
        """Memory that it holds."""
        own = (
            self.members, self.weight, self.there, self.manners, self.shows, *self.survey[:-1],
        )  # fmt: skip
        return sum(int(array.nbytes) for array in own)


def believe(sets: SolvedSets, situation: Situation, *, bound: bool = True) -> Belief:
    """What is believed in a situation.

    Args:
        sets: of the machine.
        situation: what was told, seen and done.
        bound: see `diagnose.belief.search.search`.

    Raises:
        UnknownNameError: a repair that the machine does not have.
        ClashError: the findings cannot all be true.
    """
    found = search(sets, situation, bound=bound)
    if found.replay.total <= 0.0:
        raise ClashError(clashing(sets, found))
    done, solved = found.replay, found.solved
    weight = done.weight * found.factor
    total = float(weight.sum())
    by_row = np.bincount(done.now, weight, len(solved.prior)) / total
    rows = _worth_surveying(by_row)
    kept = float(by_row[rows].sum())
    there = _there(sets, found, rows, weight)
    own = by_row[rows] / kept
    manners = _manners(found, rows, weight)
    shares = check_shares(sets.behaviour, solved, situation.complaint, rows, manners)
    fine = always_runs(sets.behaviour, solved, situation.complaint, rows)
    stands = mixture_of(sets.columns, solved, rows, manners)
    blocks = blocks_of(sets.columns, solved, rows, there, own, fine, stands)
    known = survey(blocks, solved.n_faults)
    good = reads_good(sets, solved, rows, own, there)
    return Belief(
        members=solved.members[rows],
        weight=own,
        there=there,
        manners=manners,
        shows=mixed(own, with_slips(shares)),
        survey=with_silent(known, single_tables(sets), _extra(sets, found, known.faults), good),
        log_evidence=math.log(total) + done.log_scale,
        surprises=_surprises(found),
        likeliest_slip=greatest_doubt(sets, found),
        left_out=min(found.left_out + 1.0 - kept, 1.0),
        search=found.search,
    )


def _worth_surveying(by_row: Floats) -> Ints:
    """Rows, the likeliest first, without the lightest that together have no more than `DROPPED`."""
    able = np.flatnonzero(by_row > DROPPED / len(by_row))
    order = able[np.argsort(-by_row[able], kind="stable")]
    left = 1.0 - np.cumsum(by_row[order])
    return order[: int(np.argmax(left <= DROPPED)) + 1]


def greatest_doubt(sets: SolvedSets, found: SearchResult) -> Doubt | None:
    """The finding most likely to be a slip, when that is likelier than `LEAST_DOUBT`.

    Every test has a small share of slips: what was written down says nothing of what is there. By
    the model itself, the probability that finding i is such a slip is

        P(slip_i | e) = s_i / n_i * P(e without i) / P(e),

    with `s_i` the share of slips and `n_i` the outcomes they are spread over (for a reading, the
    width of the range). One slip in n writes down what is there by luck. Looking again would show
    the same, so that part is taken off:

        P(by luck | e) = s_i / n_i / (1 - s_i) * (1 - P(slip_i | e)).

    After several looks it is the part of the weight in which something else is there than what
    stands. What was seen twice, and what was seen before a repair, is not doubted: the one is
    settled, the other cannot be seen again.
    """
    factors = [step for step in found.steps if isinstance(step, Factor)]
    whole = inner(found.replay.weight, found.factor)
    totals = _totals_without(found)
    last_cause = max((i for i, factor in enumerate(factors) if factor.cause >= 0), default=-1)
    worst, slip = -1, LEAST_DOUBT
    for number, factor in enumerate(factors):
        if factor.may_be_doubted:
            if factor.cause >= 0 and number < last_cause:
                totals[number] = _total_without_cause(sets, found, number)
            if factor.slipped is None:
                chance = factor.slip * totals[number] / whole
                chance -= factor.by_luck * max(1.0 - chance, 0.0)
            else:
                chance = _slipped(found, number, factor.slipped) / whole
            if chance > slip:
                worst, slip = number, min(float(chance), 1.0)
    if worst < 0:
        return None
    without = replay_without(sets, found, worst)
    weight = without.weight * by_first(found)[without.first]
    return _doubt(sets, found.solved, factors[worst], slip, replace(without, weight=weight))


def _slipped(found: SearchResult, number: int, slipped: Floats) -> float:
    """Weight of all hypotheses in which something else is there, after several looks."""
    done = found.replay
    (factor,) = [step for step in found.steps if isinstance(step, Factor)][number : number + 1]
    if factor.column < 0:
        return 0.0  # what is found of causes hangs together; several looks settle it
    own = slipped[done.manner, found.solved.place[done.now, factor.column]]
    return inner(done.weight * found.factor, own / np.maximum(done.like[number], 1e-300))


def _totals_without(found: SearchResult) -> Floats:
    """(factors,) weight of all hypotheses without each thing seen, scaled as that of all is.

    For a finding about a shared cause only when no other such finding came later.
    """
    done = found.replay
    before = np.ones((len(done.like) + 1, len(done.prior)))
    before[0] = done.prior * found.factor * math.exp(min(-done.log_scale, 600.0))
    for number, like in enumerate(done.like):
        before[number + 1] = before[number] * like
    after, totals = np.ones(len(done.prior)), np.empty(len(done.like))
    for number in range(len(done.like) - 1, -1, -1):
        totals[number] = inner(before[number], after)
        after *= done.like[number]
    return totals


def _total_without_cause(sets: SolvedSets, found: SearchResult, number: int) -> float:
    """The same for one finding about a shared cause: what is found of causes hangs together."""
    without = replay_without(sets, found, number)
    total = inner(without.weight, by_first(found)[without.first])
    return total * math.exp(min(without.log_scale - found.replay.log_scale, 600.0))


def _doubt(sets: SolvedSets, solved: Solved, worst: Factor, slip: float, without: Replay) -> Doubt:
    """What the other findings expect instead."""
    test = sets.columns.tests[worst.test]
    outcomes = [outcome.id for outcome in test.outcomes]
    weight = without.weight / without.total
    if worst.column >= 0:
        table = solved.chances.of(worst.test, len(outcomes))
        place = solved.place[without.now, worst.column]
        chances = mixed(weight, table[without.manner, place])
    else:
        causes = _causes(sets, solved, without.first, without.now, without.free)
        p = inner(weight, causes[:, worst.cause])
        absent, present = sets.columns.by_cause[worst.test][:, : len(outcomes)]
        chances = (1.0 - p) * absent + p * present
    likely = int(np.argmax(chances))
    return Doubt(test.id, slip, outcomes[likely], float(chances[likely]))


def clashing(sets: SolvedSets, found: SearchResult) -> list[tuple[str, str]]:
    """Things seen of which none can be left out (deletion filter, Chinneck & Dravnieks 1991)."""
    kept = list(found.steps)
    rows = found.replay.first[: found.replay.originals]
    for step in found.steps:
        fewer = [other for other in kept if other is not step]
        if isinstance(step, Factor) and replay(found.solved, sets.priors, fewer, rows).total <= 0.0:
            kept = fewer
    return [(step.node, step.state) for step in kept if isinstance(step, Factor)]


def _there(sets: SolvedSets, found: SearchResult, rows: Ints, weight: Floats) -> Floats:
    """(rows, causes) chance of each shared cause given the present faults."""
    done, solved = found.replay, found.solved
    place = np.full(len(solved.prior), -1)
    place[rows] = np.arange(len(rows))
    held = np.flatnonzero((place[done.now] >= 0) & (weight > 0.0))
    chances = _causes(sets, solved, done.first[held], done.now[held], done.free)
    at, own = place[done.now[held]], weight[held]
    by_row = np.maximum(np.bincount(at, own, len(rows)), 1e-300)
    columns = [np.bincount(at, own * chance, len(rows)) / by_row for chance in chances.T]
    result: Floats = np.stack(columns, axis=1) if columns else np.zeros((len(rows), 0))
    return result


def _manners(found: SearchResult, rows: Ints, weight: Floats) -> Floats:
    """(rows, 3) shares of the manners in which loose joints stand, given the present faults."""
    done, solved = found.replay, found.solved
    manners, n = solved.manners(rows), len(solved.prior)
    told = solved.loose_in(done.now) & (done.manner != ANY)
    each = [
        np.bincount(done.now[own], weight[own], n)[rows]
        for manner in range(COMES_AND_GOES, N_MANNERS)
        for own in [told & (done.manner == manner)]
    ]
    by_row = np.stack(each, axis=1)
    some = by_row.sum(axis=1)
    known = some > 0.0
    manners[known] = by_row[known] / some[known, None]
    return manners


def _causes(sets: SolvedSets, solved: Solved, first: Ints, now: Ints, free: Floats) -> Floats:
    """(hypotheses, causes) chance of each cause; a part's failure as the part stands now."""
    chances = sets.there(solved, first, free)
    for place in range(sets.priors.n_free, len(sets.priors.causes)):
        chances[:, place] = sets.priors.triggers[place][solved.members[now]].any(axis=1)
    return chances


def _extra(sets: SolvedSets, found: SearchResult, faults: Floats) -> Floats:
    """The silent faults, but for those that a repair has put right since.

    No part is faulty with more than certainty, whatever the sets too light to be surveyed held.

    Args:
        sets: of the machine.
        found: the search.
        faults: (faults,) probability of each in the sets looked at.
    """
    extra = found.extra.copy()
    for step in found.steps:
        if not isinstance(step, Factor):
            extra[step.fixed[:-1]] = 0.0
    part_of = sets.behaviour.part_of
    room = np.maximum(1.0 - np.bincount(part_of, faults), 0.0)
    scale = np.minimum(room / np.maximum(np.bincount(part_of, extra), 1e-300), 1.0)
    result: Floats = extra * scale[part_of]
    return result


def _surprises(found: SearchResult) -> tuple[Surprise, ...]:
    factors = [step for step in found.steps if isinstance(step, Factor)]
    return tuple(
        Surprise(factor.node, float(chance), factor.repairs_before)
        for factor, chance in zip(factors, found.replay.chances, strict=True)
    )
