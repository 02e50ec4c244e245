"""Findings that do not fit: which one is more likely a slip than true.

Every test has a small share of slips: the outcome written down is not the one that was there. By
the model itself, the probability that finding i is such a slip is

    P(slip_i | e) = s_i / n_i * P(e without i) / P(e),

with `s_i` the share of slips and `n_i` the outcomes they are spread over (for a reading, the width
of the range). Where it passes one half, looking again is worth more than going on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.advice.situation import encode
from diagnose.network.readings import slip_density

if TYPE_CHECKING:
    from diagnose.advice.situation import Finding, Situation
    from diagnose.network.ready import ReadyMachine

MORE_LIKELY_THAN_NOT = 0.5


@dataclass(frozen=True, slots=True)
class Doubt:
    """A finding that does not fit the others.

    Attributes:
        test: id of the test.
        slip: probability that the finding is a slip.
        otherwise: the outcome that the other findings make likeliest.
        chance: its probability, without this finding.
    """

    test: str
    slip: float
    otherwise: str
    chance: float


def greatest_doubt(ready: ReadyMachine, situation: Situation, log_evidence: float) -> Doubt | None:
    """The finding most likely to be a slip, when that is more likely than not.

    Args:
        ready: the machine.
        situation: all findings; those looked at twice are not doubted again.
        log_evidence: natural logarithm of their probability.
    """
    asked = [one for one in situation.findings if not one.confirmed]
    worst: Doubt | None = None
    for one in asked:
        doubt = _doubt(ready, situation, one, log_evidence)
        if doubt.slip > MORE_LIKELY_THAN_NOT and (worst is None or doubt.slip > worst.slip):
            worst = doubt
    return worst


def _doubt(ready: ReadyMachine, situation: Situation, one: Finding, log_evidence: float) -> Doubt:
    test = ready.machine.tests[one.test]
    others = tuple(other for other in situation.findings if other is not one)
    without = ready.compiled.beliefs(encode(ready, replace(situation, findings=others)))
    slip = test.slip_percent / 100.0
    spread = 1.0 / len(test.outcomes) if one.reading is None else slip_density(test)
    log_slip = math.log(max(slip * spread, 1e-300)) + without.log_evidence - log_evidence
    likely = without[test.id]
    otherwise = max(likely, key=lambda outcome: likely[outcome])
    return Doubt(test.id, min(math.exp(min(log_slip, 0.0)), 1.0), otherwise, likely[otherwise])
