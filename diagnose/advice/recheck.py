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
from diagnose.inference.without import log_evidence_without
from diagnose.network.readings import slip_density

if TYPE_CHECKING:
    from diagnose.advice.situation import Finding, Situation
    from diagnose.inference.beliefs import Beliefs
    from diagnose.inference.findings import Findings
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


def greatest_doubt(ready: ReadyMachine, situation: Situation, beliefs: Beliefs) -> Doubt | None:
    """The finding most likely to be a slip, when that is more likely than not.

    Args:
        ready: the machine as the situation has it.
        situation: all findings; those looked at twice, and those from before a repair, are not
            doubted: the one is settled, the other cannot be seen again.
        beliefs: after all of them.
    """
    worst, slip = None, MORE_LIKELY_THAN_NOT
    findings = encode(ready, situation)
    for one in situation.findings:
        if not one.confirmed:
            found = _slip(ready, situation, one, findings, beliefs)
            if found > slip:
                worst, slip = one, found
    if worst is None:
        return None
    likely = _without(ready, situation, worst)[worst.test]
    otherwise = max(likely, key=lambda outcome: likely[outcome])
    return Doubt(worst.test, slip, otherwise, likely[otherwise])


def _slip(
    ready: ReadyMachine, situation: Situation, one: Finding, findings: Findings, beliefs: Beliefs
) -> float:
    """Probability that a finding is a slip."""
    log_without = log_evidence_without(ready.compiled, findings, beliefs, one.test)
    if log_without is None:
        log_without = _without(ready, situation, one).log_evidence
    test = ready.machine.tests[one.test]
    spread = 1.0 / len(test.outcomes) if one.reading is None else slip_density(test)
    share = max(test.slip_percent / 100.0 * spread, 1e-300)
    return math.exp(min(math.log(share) + log_without - beliefs.log_evidence, 0.0))


def _without(ready: ReadyMachine, situation: Situation, one: Finding) -> Beliefs:
    others = tuple(other for other in situation.findings if other is not one)
    return ready.compiled.beliefs(encode(ready, replace(situation, findings=others)))
