"""Simulated jobs that follow the advice, some of them with a finding written down wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.advise import verdict
from diagnose.advice.ranking import look_ahead
from diagnose.belief.situation import Finding, Situation, encode
from tests import shipped
from tests.network.fault_sets import Instruments, Roots
from tests.network.jobs import _Bench

if TYPE_CHECKING:
    from diagnose.advice.advice import Verdict
    from diagnose.advice.ranking import Outlook

JOBS, MOST_STEPS = 12, 25
WRONG_EVERY = 3
"""In every third job the second finding is a slip."""


@dataclass(frozen=True)
class Step:
    """What the advice was at one place of one job."""

    situation: Situation
    outlook: Outlook
    verdict: Verdict

    @property
    def evidence(self) -> dict[str, str]:
        """All that was found, the complaint among it: node -> state."""
        found = {one.test: one.outcome for one in self.situation.findings}
        return {self.situation.complaint: "yes", **found}


@cache
def steps_of(name: str) -> tuple[Step, ...]:
    """Every step of the walks on one machine."""
    ready, rng = shipped.ready(name), np.random.default_rng(5)
    roots = Roots(shipped.behaviour(name), shipped.built(name).network)
    instruments = Instruments(shipped.behaviour(name))
    causes, states = roots.draw(6000, rng)
    sets = roots.fault_sets(states)
    readings = roots.behaviour.readings(sets)
    found: list[Step] = []
    for job in range(JOBS):
        complaint = list(ready.machine.complaints)[job % len(ready.machine.complaints)]
        shows = instruments.complaint(complaint, readings)[:, 0]
        row = int(rng.choice(len(sets), p=shows / shows.sum()))
        bench = _Bench(roots, instruments, causes[row], states[row], readings[row], rng)
        found += _walk(name, Situation(complaint), bench, slip=job % WRONG_EVERY == 0)
    return tuple(found)


def _walk(name: str, situation: Situation, bench: _Bench, *, slip: bool) -> list[Step]:
    ready, found = shipped.ready(name), list[Step]()
    for _ in range(MOST_STEPS):
        outlook = look_ahead(ready, situation, encode(ready, situation))
        said = verdict(ready, situation, outlook)
        found.append(Step(situation, outlook, said))
        if said.action == "test":
            test = ready.machine.tests[said.target]
            outcome = bench.outcome(test)
            if slip and len(situation.findings) == 1:
                outcome = next(one.id for one in test.outcomes if one.id != outcome)
            findings = (*situation.findings, Finding(test.id, outcome))
        elif said.action == "recheck":
            findings = tuple(
                replace(one, confirmed=True) if one.test == said.target else one
                for one in situation.findings
            )
        else:
            break
        situation = replace(situation, findings=findings)
    return found
