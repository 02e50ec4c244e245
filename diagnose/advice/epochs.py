"""Which network answers for a situation: the plain one, or the one over all repairs so far.

Every repair asks for a network of its own (`diagnose.network.unrolled`), built once and then kept
in memory and on disk. Building it needs to know what was likely before the repair; that is what
the network before it says.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING

from diagnose.advice.situation import Situation, encode, last_check
from diagnose.errors import NetworkTooLargeError
from diagnose.inference.unkeyed import Unkeyed
from diagnose.network.lives import PastRepair, first_mode, lives_of
from diagnose.network.ready import ready_after
from diagnose.network.words import life_name

if TYPE_CHECKING:
    from diagnose.advice.situation import Epoch
    from diagnose.network.ready import Progress, ReadyMachine

KEPT = 8
"""Networks of repaired machines kept in memory."""

LEAST_WEIGHT = 0.1
"""What the findings speak against still weighs this share of its prior: they may be slips."""

LEAST_LEFT = 0.05
"""A repair that did not help raises the rest at most by the inverse of this."""

DIGITS = 3
"""Weights are rounded to so many digits, so that the same job finds the same network again."""


def ready_for(
    ready: ReadyMachine, situation: Situation, progress: Progress | None = None
) -> ReadyMachine:
    """The machine with the network that a situation needs.

    Args:
        ready: the machine as it came to the shop.
        situation: with its past repairs.
        progress: called with a sentence before a network is worked out, which takes seconds.

    Raises:
        ClashError: what was found before some repair cannot all be true.
        NetworkTooLargeError: more repairs than fit in memory.
    """
    if not situation.past:
        return ready
    told = Situation(
        situation.complaint, temperature_celsius=situation.temperature_celsius, past=situation.past
    )
    return _ready_for(ready, told, Unkeyed(progress or (lambda _: None)))


@lru_cache(maxsize=KEPT)
def _ready_for(ready: ReadyMachine, situation: Situation, aside: Unkeyed[Progress]) -> ReadyMachine:
    """Exact if it fits; else with the fewest of the oldest repairs folded."""
    before = _before_last(situation)
    known = ready_for(ready, before, aside.value)
    number = len(situation.past)
    aside.value(f"{ready.machine.id}: working out what {number} repair(s) and the checks say")
    for folded in range(known.folded, len(situation.past)):
        past = [past_repair(one) for one in situation.past[folded:]]
        weights = _weights(ready, known, situation, folded)
        try:
            found = ready_after(ready, situation.complaint, past, weights)
        except NetworkTooLargeError:
            continue
        return _with_soft(ready, found, situation, folded)
    return _with_soft(ready, ready, situation, len(situation.past))


def _before_last(situation: Situation) -> Situation:
    """How it stood just before the last repair."""
    *past, last = situation.past
    return replace(situation, past=tuple(past), findings=last.findings)


def _with_soft(
    ready: ReadyMachine, found: ReadyMachine, situation: Situation, folded: int
) -> ReadyMachine:
    """The network with what was found before the folded repairs as weights on the roots.

    Every root gets the ratio of what it was believed to be, right after the last folded repair,
    to its prior. That keeps each part's own probability and forgets how parts hang together; what
    the check after that repair showed stays as it is.
    """
    if not folded:
        return found
    then = replace(situation, past=situation.past[:folded], findings=())
    known = ready_for(ready, then)
    check = last_check(then, known.folded)
    beliefs = known.compiled.beliefs(encode(known, then, leave_out={check}))
    plain = ready.compiled.beliefs(ready.compiled.encode({}))
    soft: dict[str, list[float]] = {}
    for part in dict.fromkeys(part for part, _ in ready.faults):
        prior = plain[part]
        ratio = {m: p / prior[m] if prior[m] > 0.0 else 0.0 for m, p in beliefs[part].items()}
        node = life_name(part)
        if node in found.compiled.nodes:
            soft[node] = [ratio[first_mode(life)] for life in found.compiled.states(node)]
        else:
            soft[part] = [ratio[mode] for mode in found.compiled.states(part)]
    scaled = {node: tuple(one / max(weights) for one in weights) for node, weights in soft.items()}
    return replace(found, folded=folded, soft=scaled)


def past_repair(epoch: Epoch) -> PastRepair:
    """A repair as the network needs to know it."""
    done = epoch.repair
    tests = tuple(one.test for one in epoch.findings)
    return PastRepair(tests, done.part, done.repair, done.gone is not None)


def _weights(
    ready: ReadyMachine, known: ReadyMachine, situation: Situation, folded: int
) -> dict[tuple[str, str], float]:
    """How likely each fault (or life) was just before the last repair, and what the check says.

    Args:
        ready: the machine as it came.
        known: with the network just before the last repair.
        situation: after it.
        folded: repairs that the network will begin behind.
    """
    before, last = _before_last(situation), situation.past[-1].repair
    beliefs = known.compiled.beliefs(encode(known, before))
    part = ready.machine.parts[last.part]
    fixes = next(one.fixes for one in part.repairs if one.id == last.repair)
    mended = sum(beliefs[part.id][mode] for mode in fixes)
    left = max(1.0 - mended, LEAST_LEFT) if last.gone is False else 1.0
    plain = ready.compiled.beliefs(ready.compiled.encode({}))
    found: dict[tuple[str, str], float] = {}
    for one in dict.fromkeys(part for part, _ in ready.faults):
        node = life_name(one) if life_name(one) in known.compiled.nodes else one
        for state, chance in beliefs[node].items():
            share = chance if one == part.id else min(chance / left, 1.0)
            least = LEAST_WEIGHT * plain[one][state] if node == one else 0.0
            found[one, state] = float(f"{max(share, least):.{DIGITS}g}")
    if folded > known.folded:
        found |= _shorter_lives(ready, situation, folded)
    return found


def _shorter_lives(
    ready: ReadyMachine, situation: Situation, folded: int
) -> dict[tuple[str, str], float]:
    """Lives that begin later than those of the network before; their priors do as weights."""
    past = [past_repair(one) for one in situation.past[folded:-1]]
    parts = dict.fromkeys(one.repair.part for one in situation.past)
    return {
        (part, one.name): one.prior
        for part in parts
        for one in lives_of(ready.machine, ready.machine.parts[part], past)
    }
