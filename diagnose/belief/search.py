"""The search for the fault sets that matter.

It begins with the base of the machine and extends the leading sets by one fault at a time, best
first by weight and an upper bound of what the fault can still explain (Henrion 1991, search-based
bounds; Poole 1996), until what is left out is bounded below `GOOD_ENOUGH` of the belief, or so
many sets have been tried. The same job finds the same sets whatever was solved before it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from diagnose.belief.draws import error_of_sum
from diagnose.belief.factors import at_least, steps_of
from diagnose.belief.frontier import Below, began
from diagnose.belief.replay import replay
from diagnose.stop import go_on
from diagnose.sums import inner

if TYPE_CHECKING:
    from diagnose.belief.factors import Step
    from diagnose.belief.frontier import Frontier
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

NEVER = 1e-9
"""Where nothing in the base can give what was found, the search grows as if each thing found could
come about by such a chance, and then weighs what it has met as it is."""

SAYS_NOTHING, STAND_INS = 0.02, 256
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
        search: `bounded` when the bound is below `GOOD_ENOUGH`, in which only what stands below
            light sets may be estimated; `sampled` when the estimate is; else `budget`.
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
    floor = 0.0
    while True:
        solved, steps, done = _gone_through(sets, situation, [*grown], floor)
        if done.total <= 0.0 and not floor:
            floor = NEVER
            continue
        below = Below(sets, solved, steps, done)
        frontier = below.frontier()
        full = len(grown) >= most
        tried = [] if full else frontier.best(solved, min(TRIED_AT_ONCE, most - len(grown)))
        if not tried:
            break
        grown |= dict.fromkeys(tried)
    if floor:
        solved, steps, done = _gone_through(sets, situation, [*grown])
        below = Below(sets, solved, steps, done)
        frontier = below.frontier()
    heavy = frontier
    if bound and done.total > 0.0:
        frontier = below.with_light(heavy)
    left_out, kind = _remainder(
        sets, situation, frontier, solved, min(SAMPLED, most) if bound else 0
    )
    raised, extra = heavy.raised, heavy.extra
    if heavy.loud > SAYS_NOTHING:
        drawn, times, often = _stand_ins(heavy, solved, min(STAND_INS, most))
        solved, steps, done = _gone_through(sets, situation, [*grown, *drawn])
        raised = np.concatenate([raised, times])
        at = began(solved, done)
        whole = inner(done.weight, raised[at])
        extra = extra * (heavy.scale / max(whole * float(np.exp(done.log_scale)), 1e-300))
        each = np.bincount(at, done.weight, len(raised))[-len(often) :] * times
        left_out = min(left_out + 2.0 * error_of_sum(each, often) / whole, 1.0)
        kind = kind if left_out <= GOOD_ENOUGH else "budget"
    factor = raised[began(solved, done)]
    return SearchResult(solved, tuple(steps), done, factor, extra, left_out, kind)


def _gone_through(
    sets: SolvedSets, situation: Situation, larger: list[FaultSet], floor: float = 0.0
) -> tuple[Solved, list[Step], Replay]:
    """The job gone through for the base and some larger sets; what it leads to is solved.

    Args:
        sets: of the machine.
        situation: what was told, seen and done.
        larger: the further sets.
        floor: the least likelihood of anything seen.
    """
    asked = dict.fromkeys(larger)
    while True:
        go_on()
        solved = sets.with_sets([*asked])
        steps = steps_of(sets, solved, situation)
        if floor:
            steps = [at_least(step, floor) for step in steps]
        rows = np.array([*range(solved.n_base), *map(solved.row, larger)], dtype=np.int64)
        done = replay(solved, sets.priors, steps, rows)
        if not done.missing:
            return solved, steps, done
        asked |= dict.fromkeys(done.missing)


def _stand_ins(
    frontier: Frontier, solved: Solved, count: int
) -> tuple[list[FaultSet], Floats, Ints]:
    """Loud extensions drawn to stand for all, for how many each stands, and how often it was drawn.

    Where many sets of little weight together could weigh much, a sample of them, drawn evenly by
    their bounds, is weighed in their place: importance sampling (Fung & Chang 1990).
    """
    drawn, bounds = frontier.drawn(solved, count)
    whole = float(frontier.bound.sum()) * frontier.scale
    times: dict[FaultSet, float] = {}
    often: dict[FaultSet, int] = {}
    for faults, share in zip(drawn, bounds.tolist(), strict=True):
        times[faults] = times.get(faults, 0.0) + whole / share / count
        often[faults] = often.get(faults, 0) + 1
    return list(times), np.array(list(times.values())), np.array(list(often.values()))


def _remainder(
    sets: SolvedSets, situation: Situation, frontier: Frontier, solved: Solved, count: int
) -> tuple[float, Search]:
    """How much was left out; sampled where the bound says too little."""
    if frontier.left_out <= GOOD_ENOUGH:
        return frontier.left_out, "bounded"
    drawn, bounds = frontier.drawn(solved, count)
    if not drawn:
        return frontier.left_out, "budget"
    each = [*dict.fromkeys(drawn)]
    asked, done = dict.fromkeys(each), None
    while done is None or done.missing:
        go_on()
        asked |= dict.fromkeys(done.missing if done is not None else ())
        now = sets.with_sets([*asked])
        rows = np.array([now.row(faults) for faults in each], dtype=np.int64)
        done = replay(now, sets.priors, steps_of(sets, now, situation), rows)
    weighs = np.bincount(began(now, done), done.weight, len(each)) * np.exp(done.log_scale)
    weight = dict(zip(each, weighs.tolist(), strict=True))
    share = np.array([weight[faults] for faults in drawn]) / np.maximum(bounds, 1e-300)
    mean, error = float(share.mean()), float(share.std(ddof=1)) / len(share) ** 0.5
    left_out = min(frontier.left_out, frontier.left_out * (mean + 2.0 * error))
    return left_out, "sampled" if left_out <= GOOD_ENOUGH else "budget"


def by_first(found: SearchResult) -> Floats:
    """(rows,) the factor of every set that a machine may have come in with."""
    factor = np.ones(len(found.solved.prior))
    originals = found.replay.originals
    factor[found.replay.first[:originals]] = found.factor[:originals]
    return factor


def replay_without(sets: SolvedSets, found: SearchResult, factor: int) -> Replay:
    """The same job without one thing that was seen."""
    rows = found.replay.first[: found.replay.originals]
    return replay(found.solved, sets.priors, found.steps, rows, factor)
