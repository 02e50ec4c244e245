"""From a situation to advice: a pure function."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.advice import (
    Advice,
    OutcomeChance,
    RecordedFinding,
    Suspect,
    TestAdvice,
    Verdict,
)
from diagnose.advice.explain import escalate_reason, recheck_reason, repair_reason, test_reason
from diagnose.advice.ranking import look_ahead
from diagnose.advice.recheck import greatest_doubt
from diagnose.advice.situation import Situation, encode, evidence_of

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from diagnose.advice.ranking import Candidate, Outlook
    from diagnose.network.ready import ReadyMachine


def advise(ready: ReadyMachine, situation: Situation, skipped: Collection[str] = ()) -> Advice:
    """What to do now.

    Args:
        ready: the machine.
        situation: what is known and at hand.
        skipped: tests that are not to be proposed.

    Raises:
        ClashError: the findings cannot all be true.
    """
    outlook = look_ahead(ready, situation, encode(ready, situation), skipped)
    return Advice(
        machine=ready.machine.id,
        machine_version=ready.machine.version,
        complaint=situation.complaint,
        log_evidence=outlook.beliefs.log_evidence,
        evidence=evidence_of(situation),
        findings=recorded(ready, situation),
        suspects=suspects(ready, outlook.faults),
        tests=tuple(_test_advice(ready, outlook, one) for one in outlook.candidates),
        verdict=verdict(ready, situation, outlook),
    )


def suspects(ready: ReadyMachine, faults: NDArray[np.float64]) -> tuple[Suspect, ...]:
    """Every failure mode, most likely first."""
    order = np.argsort(-faults, kind="stable")
    return tuple(
        Suspect(ready.faults[fault][0], ready.faults[fault][1], float(faults[fault]))
        for fault in order
    )


def recorded(ready: ReadyMachine, situation: Situation) -> tuple[RecordedFinding, ...]:
    """The findings with the surprise of each, given those before it."""
    found = []
    earlier = replace(situation, findings=())
    for one in situation.findings:
        before = ready.compiled.beliefs(encode(ready, earlier))
        chance = before[one.test][one.outcome]
        found.append(
            RecordedFinding(
                test=one.test,
                outcome=one.outcome,
                reading=one.reading,
                unit=None if one.reading is None else ready.machine.tests[one.test].unit,
                surprise_bits=max(-math.log2(max(chance, 1e-300)), 0.0),
            )
        )
        earlier = replace(earlier, findings=(*earlier.findings, one))
    return tuple(found)


def verdict(ready: ReadyMachine, situation: Situation, outlook: Outlook) -> Verdict:
    """Look again where a finding does not fit; test while that pays; repair; hand over."""
    complaint = situation.complaint
    doubt = greatest_doubt(ready, situation, outlook.beliefs.log_evidence)
    if doubt is not None:
        return Verdict("recheck", doubt.test, recheck_reason(ready, situation, doubt))
    worth = [one for one in outlook.candidates if outlook.worth_doing(one)]
    if worth:
        reason = test_reason(ready, complaint, outlook, worth[0])
        return Verdict("test", worth[0].test.id, reason)
    if outlook.first_repair >= 0:
        part, repair = outlook.repairs.repairs[outlook.first_repair]
        return Verdict("repair", f"{part}.{repair.id}", repair_reason(ready, complaint, outlook))
    return Verdict("escalate", "", escalate_reason(ready, outlook))


def _test_advice(ready: ReadyMachine, outlook: Outlook, one: Candidate) -> TestAdvice:
    machine = ready.machine
    return TestAdvice(
        test=one.test.id,
        title=one.test.title,
        gain_bits=one.gain_bits,
        minutes=one.minutes,
        bits_per_minute=one.bits_per_minute,
        tool=one.test.tool,
        opens=one.opens,
        outcomes=tuple(
            OutcomeChance(outcome.id, float(chance))
            for outcome, chance in zip(one.test.outcomes, one.chances, strict=True)
        ),
        cautions=tuple(machine.cautions[caution].text for caution in one.test.cautions),
        worth_doing=outlook.worth_doing(one),
    )
