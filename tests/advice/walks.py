"""Simulated jobs that follow the advice, some of them with a finding written down wrong.

One more job of each machine has what no file lists: it is built to end in handing over, since too
few of those drawn do.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.advise import verdict
from diagnose.ahead.desk import Desk
from diagnose.belief.situation import Finding, Situation
from diagnose.faults.words import UNLISTED
from diagnose.job import prepare
from diagnose.rule.decide import decide, look
from diagnose.trial.shop import Shop, Truth, draw_truths

if TYPE_CHECKING:
    from diagnose.advice.advice import Verdict
    from diagnose.belief.belief import Belief
    from diagnose.rule.decide import Decision
    from diagnose.rule.prepared import Prepared

JOBS, MOST_STEPS = 6, 25
WRONG_EVERY = 2
"""In every second job the second finding is a slip."""


@dataclass(frozen=True)
class Step:
    """What the advice was at one place of one job."""

    situation: Situation
    belief: Belief
    decision: Decision
    verdict: Verdict


def ready(name: str) -> Prepared:
    return prepare(name)


@cache
def steps_of(name: str) -> tuple[Step, ...]:
    """Every step of the walks on one machine."""
    known, rng = ready(name), np.random.default_rng(5)
    found: list[Step] = []
    for job in range(JOBS):
        complaint = list(known.machine.complaints)[job % len(known.machine.complaints)]
        truth = draw_truths(known, complaint, 1, rng)[0]
        found += _walk(known, Situation(complaint), truth, rng, slip=job % WRONG_EVERY == 0)
    complaint, truth = _not_listed(known)
    return (*found, *_walk(known, Situation(complaint), truth, rng, slip=False))


def _not_listed(known: Prepared) -> tuple[str, Truth]:
    """The complaint with most causes that are not in the file, and such a machine."""
    priors = dict(zip(known.faults, known.behaviour.priors.tolist(), strict=True))
    fault = max((fault for fault in known.faults if fault[0] == UNLISTED), key=priors.__getitem__)
    return fault[1], Truth((known.faults.index(fault),), 0)


def _walk(
    known: Prepared, situation: Situation, truth: Truth, rng: np.random.Generator, *, slip: bool
) -> list[Step]:
    shop, found = Shop(known, situation.complaint), list[Step]()
    tests = list(known.machine.tests.values())
    for _ in range(MOST_STEPS):
        belief = known.belief(situation)
        standing = Desk.standing_of(known, situation)
        able = known.blamed(situation.complaint, belief)
        decision = decide(look(belief.survey, able, known.costs, standing), known.costs, every=True)
        said = verdict(known, situation, belief, decision)
        found.append(Step(situation, belief, decision, said))
        if said.action == "test":
            number = known.costs.tests.names.index(said.target)
            outcomes = [outcome.id for outcome in tests[number].outcomes]
            outcome = outcomes[shop.answer(truth, number, float(rng.random()))]
            if slip and len(situation.findings) == 1:
                outcome = next(other for other in outcomes if other != outcome)
            findings = (*situation.findings, Finding(said.target, outcome))
        elif said.action == "recheck":
            findings = tuple(
                replace(finding, confirmed=True) if finding.test == said.target else finding
                for finding in situation.findings
            )
        else:
            break
        situation = replace(situation, findings=findings)
    return found
