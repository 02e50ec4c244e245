"""Why: one or two sentences, made from the numbers they speak of."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.network.words import UNLISTED

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.advice.ranking import Candidate, Outlook
    from diagnose.advice.recheck import Doubt
    from diagnose.advice.situation import Situation
    from diagnose.network.ready import ReadyMachine


def fault_words(ready: ReadyMachine, fault: int) -> str:
    """`Start relay: contacts burnt`."""
    part, mode = ready.faults[fault]
    if part == UNLISTED:
        return "something this file does not list"
    found = ready.machine.parts[part]
    return f"{found.title}: {found.modes[mode].title}"


def percent(probability: float) -> str:
    """A probability in words that a figure of two digits supports."""
    if probability > 0.995:
        return "over 99 %"
    if probability < 0.01:
        return "under 1 %"
    return f"{100.0 * probability:.0f} %"


def minutes_words(minutes: float) -> str:
    """Minutes without false digits."""
    return f"{minutes:.1f} min" if minutes < 10.0 else f"{minutes:.0f} min"


def leading(blamed: NDArray[np.float64], count: int) -> list[int]:
    """The faults most to blame, the likeliest first."""
    order = np.argsort(-blamed, kind="stable")[:count]
    return [int(fault) for fault in order if blamed[fault] > 0.0]


def test_reason(ready: ReadyMachine, complaint: str, outlook: Outlook, one: Candidate) -> str:
    """What the test decides, outcome by outcome."""
    share = ready.explains[complaint]
    parts = []
    for outcome, chance, faults in zip(one.test.outcomes, one.chances, one.faults, strict=True):
        lead = leading(faults * share, 1)
        if chance >= 0.02 and lead:
            after = percent(float(faults[lead[0]]))
            parts.append(f"{outcome.title} would leave {fault_words(ready, lead[0])} at {after}")
    told = "; ".join(parts)
    saved = outlook.repair_minutes - one.minutes - one.later_minutes
    gain = f"{one.gain_bits:.2f} bits in {minutes_words(one.minutes)}"
    reason = f"{gain}, and {minutes_words(saved)} saved on average against repairing now"
    return f"{told} ({reason})." if told else f"{reason[0].upper()}{reason[1:]}."


def repair_reason(ready: ReadyMachine, complaint: str, outlook: Outlook) -> str:
    """Why to repair now, and why this."""
    part, repair = outlook.repairs.repairs[outlook.first_repair]
    fixed = outlook.repairs.fixes[outlook.first_repair].astype(bool)
    blamed = np.where(fixed, outlook.faults * ready.explains[complaint], 0.0)
    lead = leading(blamed, 1)
    chance = percent(min(float(blamed.sum()), 1.0))
    what = fault_words(ready, lead[0]) if lead else ready.machine.parts[part].title
    costs = minutes_words(outlook.repair_minutes)
    return (
        f"{what}; {repair.title} has a chance of {chance} to end the complaint. "
        f"No test left is worth its minutes: from here the repair takes {costs} on average."
    )


def escalate_reason(ready: ReadyMachine, outlook: Outlook) -> str:
    """Why to hand over."""
    lead = leading(outlook.faults, 1)
    words = f"The likeliest, {fault_words(ready, lead[0])}, " if lead else "No suspect "
    chance = percent(float(outlook.faults[lead[0]])) if lead else ""
    return (
        f"{words}{f'is at {chance}' if lead else 'is left'}; no test or repair at hand is worth "
        f"its minutes against handing over to the maker's specialist "
        f"({minutes_words(ready.machine.shop.escalate_minutes)})."
    )


def recheck_reason(ready: ReadyMachine, situation: Situation, doubt: Doubt) -> str:
    """Which finding does not fit, and what it should read."""
    test = ready.machine.tests[doubt.test]
    titles = {outcome.id: outcome.title for outcome in test.outcomes}
    found = next(one for one in situation.findings if one.test == doubt.test)
    return (
        f"{test.title}: {titles[found.outcome]} does not fit the other findings, which expect "
        f"{titles[doubt.otherwise]} ({percent(doubt.chance)}). The chance that it was misread or "
        f"taken at the wrong pin is {percent(doubt.slip)}; look again before going on."
    )
