"""From a situation to advice: a pure function."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.advice import (
    Advice,
    OutcomeChance,
    Suspect,
    TestAdvice,
    Verdict,
    WhileOpen,
    named_cautions,
)
from diagnose.advice.explain import (
    before_it_goes_out,
    done_reason,
    escalate_reason,
    handed_over_with,
    recheck_reason,
    repair_reason,
    test_reason,
)
from diagnose.advice.follow_up import WHY_FLAT, follow_up
from diagnose.advice.likely_repairs import likely_repairs
from diagnose.advice.record import recorded, repairs_done
from diagnose.ahead.desk import Desk
from diagnose.machine.model import RUNS
from diagnose.rule import gate
from diagnose.rule.decide import decide, look
from diagnose.rule.look_again import doubted_before
from diagnose.rule.minutes import closing_minutes, opening_minutes, to_open

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray

    from diagnose.belief.belief import Belief
    from diagnose.belief.situation import Situation
    from diagnose.rule.decide import Decision
    from diagnose.rule.prepared import Prepared

BACK_AGAIN = 0.5
"""What was found since a repair that helped may speak against it as far as this chance to run."""


def advise(prepared: Prepared, situation: Situation, skipped: Collection[str] = ()) -> Advice:
    """What to do now; tests that were skipped are not proposed.

    Raises:
        ClashError: the findings cannot all be true.
        UnknownNameError: a repair that the machine does not have.
    """
    machine = prepared.machine
    belief = prepared.belief(situation, bound=True)
    standing = Desk.standing_of(prepared, situation, skipped)
    able = prepared.blamed(situation.complaint, belief)
    hides = prepared.hides[situation.complaint]
    outlook = look(belief.survey, able, prepared.costs, standing, hides)
    decision = decide(outlook, prepared.costs, every=True)
    later = None
    if runs_now(situation, belief):
        later = follow_up(prepared, situation, belief, standing)
        decision = later or decision
    tests = _tests(prepared, situation, decision)
    what = verdict(prepared, situation, belief, decision, following_up=later is not None)
    repairs = () if what.action == "done" else likely_repairs(prepared, decision.outlook)
    named = named_cautions(tests, repairs)
    return Advice(
        machine=machine.id,
        machine_version=machine.version,
        machine_hash=machine.content_hash,
        priors_version=machine.priors_version,
        complaint=situation.complaint,
        log_evidence=belief.log_evidence,
        mass_left_out=belief.left_out,
        search=belief.search,
        findings=recorded(machine, situation, belief),
        repairs=repairs_done(machine, situation, belief),
        suspects=suspects(prepared, belief.survey.faults),
        tests=tests,
        while_open=_while_open(prepared, situation, tests),
        closing_minutes=closing_minutes(machine, situation.open_areas),
        verdict=what,
        likely_repairs=repairs,
        cautions={name: one.text for name, one in machine.cautions.items() if name in named},
    )


def suspects(prepared: Prepared, faults: NDArray[np.float64]) -> tuple[Suspect, ...]:
    """Every failure mode, most likely first."""
    order = np.argsort(-faults, kind="stable")
    named = (prepared.faults[fault] for fault in order.tolist())
    return tuple(
        Suspect(part, mode, chance)
        for (part, mode), chance in zip(named, faults[order].tolist(), strict=True)
    )


def runs_now(situation: Situation, belief: Belief) -> bool:
    """Whether the machine ran after the last repair, and is believed to."""
    ran = bool(situation.past) and situation.past[-1].repair.check == RUNS
    return ran and float(belief.shows[0]) > BACK_AGAIN


def verdict(
    prepared: Prepared,
    situation: Situation,
    belief: Belief,
    decision: Decision,
    *,
    following_up: bool = False,
) -> Verdict:
    """Look again where a finding does not fit; done; else what the rule says.

    Args:
        prepared: the machine.
        situation: where the job stands.
        belief: what is believed.
        decision: what the rule says.
        following_up: whether it is about a machine that runs; see `diagnose.advice.follow_up`.
    """
    costs, outlook = prepared.costs, decision.outlook
    last = situation.past[-1].repair if situation.past else None
    doubt = doubted_before(prepared, belief, outlook, decision.action)
    if doubt is not None:
        reason = recheck_reason(prepared, situation, doubt)
        return Verdict("recheck", doubt.test, reason)
    if runs_now(situation, belief) and not following_up:
        reason = done_reason(prepared, situation.complaint, belief.survey.faults)
        return Verdict("done", "", reason, before_it_goes_out(prepared, situation))
    notes: tuple[str, ...] = (WHY_FLAT,) if following_up else ()
    name = costs.action_name(decision.action)
    if decision.action < costs.n_tests:
        return Verdict("test", name, test_reason(prepared, decision, decision.action), notes)
    if decision.action < costs.hand_over:
        said = None if following_up else last
        return Verdict("repair", name, repair_reason(prepared, outlook, said), notes)
    notes = handed_over_with(prepared, situation, outlook)
    return Verdict("escalate", "", escalate_reason(prepared, outlook, last), notes)


def _tests(prepared: Prepared, situation: Situation, decision: Decision) -> tuple[TestAdvice, ...]:
    """Every test that can be done now, most bits per added minute first."""
    outlook, machine = decision.outlook, prepared.machine
    survey, tests = outlook.survey, prepared.sets.columns.tests
    minutes = outlook.access.test_minutes
    each = gate.bits_per_minute(outlook.gain_bits, minutes)
    found = []
    for number in outlook.ranked(outlook.rate, least_bits=-1.0).tolist():
        test = tests[number]
        chances = survey.chance[survey.start[number] : survey.start[number + 1]].tolist()
        found.append(
            TestAdvice(
                test=test.id,
                title=test.title,
                gain_bits=float(outlook.gain_bits[number]),
                minutes=float(minutes[number]),
                added_minutes=float(outlook.added_minutes[number]),
                bits_per_minute=float(each[number]),
                bits_per_added_minute=float(outlook.rate[number]),
                tool=test.tool,
                opens=to_open(machine, test.area, situation.open_areas),
                outcomes=tuple(
                    OutcomeChance(outcome.id, chance)
                    for outcome, chance in zip(test.outcomes, chances, strict=True)
                ),
                cautions=test.cautions,
                worth_doing=bool(decision.worth[number]),
            )
        )
    return tuple(found)


def _while_open(
    prepared: Prepared, situation: Situation, tests: tuple[TestAdvice, ...]
) -> tuple[WhileOpen, ...]:
    """What tells something and needs nothing opened because its area stands open, best first."""
    machine = prepared.machine
    found = []
    for advice in tests:
        area = machine.tests[advice.test].area
        if area is not None and area in situation.open_areas and advice.gain_bits > 0.0:
            found.append(
                WhileOpen(
                    test=advice.test,
                    title=advice.title,
                    area=area,
                    gain_bits=advice.gain_bits,
                    minutes=advice.minutes,
                    bits_per_minute=advice.bits_per_minute,
                    saved_minutes=opening_minutes(machine, to_open(machine, area, ())),
                    worth_doing=advice.worth_doing,
                )
            )
    return tuple(sorted(found, key=lambda open_test: -open_test.bits_per_minute))
