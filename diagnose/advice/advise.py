"""From a situation to advice: a pure function."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.advice import (
    Advice,
    OutcomeChance,
    Suspect,
    TestAdvice,
    Verdict,
    WhileOpen,
)
from diagnose.advice.epochs import ready_for
from diagnose.advice.explain import (
    done_reason,
    escalate_reason,
    recheck_reason,
    repair_reason,
    test_reason,
)
from diagnose.advice.minutes import closing_minutes, opening_minutes, to_open
from diagnose.advice.ranking import look_ahead
from diagnose.advice.recheck import greatest_doubt
from diagnose.advice.record import recorded, repairs_done
from diagnose.advice.situation import Situation, encode, evidence_of

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from diagnose.advice.ranking import Candidate, Outlook
    from diagnose.network.ready import Progress, ReadyMachine


BACK_AGAIN = 0.5
"""What was found since a repair that helped may speak against it up to this chance."""


def advise(
    ready: ReadyMachine,
    situation: Situation,
    skipped: Collection[str] = (),
    progress: Progress | None = None,
) -> Advice:
    """What to do now.

    Args:
        ready: the machine.
        situation: what is known and at hand.
        skipped: tests that are not to be proposed.
        progress: called with a sentence before each long step after a repair.

    Raises:
        ClashError: the findings cannot all be true.
        NetworkTooLargeError: more repairs than fit in memory, even folded.
    """
    plain, ready = ready, ready_for(ready, situation, progress)
    outlook = look_ahead(ready, situation, encode(ready, situation), skipped)
    return Advice(
        machine=ready.machine.id,
        machine_version=ready.machine.version,
        complaint=situation.complaint,
        log_evidence=outlook.beliefs.log_evidence,
        evidence=evidence_of(situation, ready.folded),
        findings=recorded(plain, situation),
        repairs=repairs_done(plain, situation),
        folded_repairs=ready.folded,
        suspects=suspects(ready, outlook.faults),
        tests=tuple(_test_advice(ready, one) for one in outlook.candidates),
        while_open=while_open(ready, situation, outlook),
        closing_minutes=closing_minutes(ready.machine, situation.open_areas),
        verdict=verdict(ready, situation, outlook),
    )


def suspects(ready: ReadyMachine, faults: NDArray[np.float64]) -> tuple[Suspect, ...]:
    """Every failure mode, most likely first."""
    order = np.argsort(-faults, kind="stable")
    named = (ready.faults[fault] for fault in order.tolist())
    return tuple(
        Suspect(part, mode, chance)
        for (part, mode), chance in zip(named, faults[order].tolist(), strict=True)
    )


def verdict(ready: ReadyMachine, situation: Situation, outlook: Outlook) -> Verdict:
    """Done; look again where a finding does not fit; test while that pays; repair; hand over."""
    complaint = situation.complaint
    last = situation.past[-1].repair if situation.past else None
    doubt = greatest_doubt(ready, situation, outlook.beliefs)
    if doubt is not None:
        return Verdict("recheck", doubt.test, recheck_reason(ready, situation, doubt))
    if last is not None and last.gone and _shows(ready, complaint, outlook) < BACK_AGAIN:
        return Verdict("done", "", done_reason(ready, complaint, outlook.faults))
    worth = [one for one in outlook.candidates if outlook.worth_doing(one)]
    if worth:
        reason = test_reason(ready, complaint, outlook, worth[0])
        return Verdict("test", worth[0].test.id, reason)
    if outlook.first_repair >= 0:
        part, repair = outlook.repairs.repairs[outlook.first_repair]
        reason = repair_reason(ready, complaint, outlook, last)
        return Verdict("repair", f"{part}.{repair.id}", reason)
    return Verdict("escalate", "", escalate_reason(ready, outlook, last))


def _shows(ready: ReadyMachine, complaint: str, outlook: Outlook) -> float:
    """Chance that something is there which gives the complaint at this moment."""
    return float((outlook.faults * ready.explains[complaint]).sum())


def while_open(
    ready: ReadyMachine, situation: Situation, outlook: Outlook
) -> tuple[WhileOpen, ...]:
    """What tells something and needs nothing opened because its area stands open, best first."""
    machine = ready.machine
    ways = {area: to_open(machine, area, ()) for area in situation.open_areas}
    found = [
        WhileOpen(
            test=one.test.id,
            title=one.test.title,
            area=one.test.area,
            gain_bits=one.gain_bits,
            minutes=one.minutes,
            bits_per_minute=one.bits_per_minute,
            saved_minutes=opening_minutes(machine, ways[one.test.area]),
            worth_doing=one.worth_doing,
        )
        for one in outlook.candidates
        if one.test.area is not None and one.test.area in ways and not one.opens and one.gain_bits
    ]
    return tuple(sorted(found, key=lambda one: -one.bits_per_minute))


def _test_advice(ready: ReadyMachine, one: Candidate) -> TestAdvice:
    outcomes, cautions = _texts(ready)[one.test.id]
    return TestAdvice(
        test=one.test.id,
        title=one.test.title,
        gain_bits=one.gain_bits,
        minutes=one.minutes,
        added_minutes=one.added_minutes,
        bits_per_minute=one.bits_per_minute,
        bits_per_added_minute=one.bits_per_added_minute,
        tool=one.test.tool,
        opens=one.opens,
        outcomes=tuple(map(OutcomeChance, outcomes, one.chances.tolist())),
        cautions=cautions,
        worth_doing=one.worth_doing,
    )


@lru_cache(maxsize=16)
def _texts(ready: ReadyMachine) -> dict[str, tuple[tuple[str, ...], tuple[str, ...]]]:
    """Ids of the outcomes and texts of the cautions, by test; the same in every answer."""
    cautions = ready.machine.cautions
    return {
        test.id: (
            tuple(outcome.id for outcome in test.outcomes),
            tuple(cautions[caution].text for caution in test.cautions),
        )
        for test in ready.machine.tests.values()
    }
