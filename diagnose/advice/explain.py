"""Why: one or two sentences, made from the numbers they speak of.

A probability beside a fault is that of the fault being there; *to blame* is the chance that it is
what gives the complaint (`diagnose.rule.decide.Outlook.blame`), which is what a repair ends.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.follow_up import was_charged
from diagnose.belief.belief import SURELY_DOUBTED
from diagnose.belief.situation import Situation, seen_to_do
from diagnose.faults.words import UNLISTED
from diagnose.machine.model import RUNS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.belief.belief import Doubt
    from diagnose.belief.situation import RepairDone
    from diagnose.belief.survey import Survey
    from diagnose.machine.model import Part, Repair
    from diagnose.rule.decide import Decision, Outlook
    from diagnose.rule.prepared import Prepared

RARE = 0.02
"""Outcomes less likely than this are not spoken of."""

LEFT_OVER = 0.05
"""A fault that may still be there is spoken of from this probability on."""

CLEARED, MOST_CLEARED = 0.01, 5
"""A part is cleared below this probability; so many are named."""

LEAST_SAVED = 0.05
"""Minutes; what saves less is not said to save anything."""


def fault_words(prepared: Prepared, fault: int) -> str:
    """`Start relay: contacts burnt`."""
    part, mode = prepared.faults[fault]
    if part == UNLISTED:
        return "something this file does not list"
    found = prepared.machine.parts[part]
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
    return f"{minutes:.1f} min" if minutes < 9.95 else f"{minutes:.0f} min"


def leading(blamed: NDArray[np.float64], count: int) -> list[int]:
    """The faults most to blame, the likeliest first."""
    order = np.argsort(-blamed, kind="stable")[:count]
    return [int(fault) for fault in order if blamed[fault] > 0.0]


def test_reason(prepared: Prepared, decision: Decision, test: int) -> str:
    """What the test costs and saves, and whom each outcome leaves in the lead."""
    outlook, able = decision.outlook, decision.outlook.explains
    parts = []
    for number, outcome in enumerate(prepared.sets.columns.tests[test].outcomes):
        chance, faults = after_outcome(outlook.survey, test, number)
        lead = leading(faults * able, 1)
        if chance >= RARE and lead:
            after = percent(float(faults[lead[0]]))
            words = f"leaves {fault_words(prepared, lead[0])} ahead at {after}"
            parts.append(f"{outcome.title} ({percent(chance)}) {words}")
    worth, told = _worth(decision, test), "; ".join(parts)
    return f"{worth} {told[:1].upper()}{told[1:]}." if told else worth


def after_outcome(survey: Survey, test: int, outcome: int) -> tuple[float, NDArray[np.float64]]:
    """Chance of an outcome of a test, and (faults,) probability of each fault after it."""
    column = int(survey.start[test]) + outcome
    chance = float(survey.chance[column])
    return chance, survey.joint[column] / max(chance, 1e-300)


def _worth(decision: Decision, test: int) -> str:
    """What a test costs and saves."""
    outlook = decision.outlook
    minutes = float(outlook.access.test_minutes[test])
    saved = outlook.repair_minutes - minutes - float(decision.later_minutes[test])
    instead = "repairing" if outlook.first_repair >= 0 else "handing over"
    takes = f"Takes {minutes_words(minutes)}"
    if saved < LEAST_SAVED:
        return f"{takes}; it pays against {instead} now only with the tests that follow it."
    return f"{takes} and is worth {minutes_words(saved)} on average against {instead} now."


def repair_reason(prepared: Prepared, outlook: Outlook, last: RepairDone | None = None) -> str:
    """Why to repair now, and why this; `last` is the repair before."""
    part, repair = _repair(prepared, outlook.first_repair)
    fixed = prepared.costs.repairs.fixes[outlook.first_repair].astype(bool)
    blamed = np.where(fixed, outlook.blame, 0.0)
    chance = float(blamed.sum())
    told = f"a chance of {percent(chance)} to end the complaint"
    lead = leading(blamed, 1)
    if lead:
        own = percent(float(blamed[lead[0]]))
        told += f", for {fault_words(prepared, lead[0])}"
        told += "" if own == percent(chance) else f" above all ({own})"
    first = ""
    if outlook.wanted_repair != outlook.first_repair:
        new = _lower(_repair(prepared, outlook.wanted_repair)[1].title)
        first = f', which comes before "{new}" on every job'
    return (
        f"{_after(last)}{part.title}, {_lower(repair.title)}{first}: {told}. "
        f"No test at hand is worth its minutes first; from here the job takes "
        f"{minutes_words(outlook.repair_minutes)} on average, with parts, and good ones fitted in "
        f"vain, counted as minutes."
    )


def _repair(prepared: Prepared, number: int) -> tuple[Part, Repair]:
    """A repair by its number, and the part it is done to."""
    name, _, repair_id = prepared.costs.repairs.names[number].partition(".")
    part = prepared.machine.parts[name]
    return part, next(repair for repair in part.repairs if repair.id == repair_id)


def escalate_reason(prepared: Prepared, outlook: Outlook, last: RepairDone | None = None) -> str:
    """Why to hand over; `last` is the repair before."""
    lead = leading(outlook.blame, 1)
    if lead:
        who = f"the likeliest to blame, {fault_words(prepared, lead[0])}, "
        words = f"{who}stands at {percent(float(outlook.blame[lead[0]]))}"
    else:
        words = "no suspect is left"
    words = f"{_after(last)}{words}"
    return (
        f"{words[0].upper()}{words[1:]}; no test or repair at hand is worth its minutes against "
        f"handing over to the maker's specialist "
        f"({minutes_words(prepared.machine.shop.escalate_minutes)}, and the repair on top)."
    )


def handed_over_with(prepared: Prepared, situation: Situation, outlook: Outlook) -> tuple[str, ...]:
    """What goes with a job that is handed over: what was cleared, and where to look next."""
    before = prepared.belief(Situation(situation.complaint)).survey.faults
    part_of, parts = prepared.behaviour.part_of, list(prepared.machine.parts.values())
    first, now = (np.bincount(part_of, faults) for faults in (before, outlook.survey.faults))
    likely = np.argsort(-first[: len(parts)], kind="stable").tolist()
    names = [parts[p].title for p in likely if first[p] > LEFT_OVER / 2 and now[p] < CLEARED]
    more = f" and {len(names) - MOST_CLEARED} more" if len(names) > MOST_CLEARED else ""
    notes = [f"Cleared: {', '.join(names[:MOST_CLEARED])}{more}."] if names else []
    shown = prepared.machine.complaints[seen_to_do(prepared.machine, situation)]
    if shown.look_next:
        notes.append(f"Look next at {shown.look_next}.")
    return tuple(notes)


def before_it_goes_out(prepared: Prepared, situation: Situation) -> tuple[str, ...]:
    """What is left to do on a machine that runs: interlocks, and why the battery was flat."""
    notes = ["Try every interlock before it goes out."]
    if was_charged(prepared.machine, situation):
        notes.append(
            "Find out why the battery was low: measure what it draws at rest and what charges it "
            "with the engine running; ask how long it stood."
        )
    return tuple(notes)


def recheck_reason(prepared: Prepared, situation: Situation, doubt: Doubt) -> str:
    """Which finding does not fit and what it should read, or what hangs on it."""
    test = prepared.machine.tests[doubt.test]
    titles = {outcome.id: outcome.title for outcome in test.outcomes}
    found = next(one for one in situation.findings if one.test == doubt.test)
    seen = titles[found.outcome]
    if found.reading is not None:
        seen = f"{found.reading:g} {test.unit} ({seen})"
    if doubt.slip <= SURELY_DOUBTED:
        told = f"{seen[0].upper()}{seen[1:]} decides what is done next"
        return (
            f"{told}, and with {percent(doubt.slip)} it was misread. Looking again takes "
            f"{test.minutes:g} min, going on for nothing more."
        )
    wanted = f"{titles[doubt.otherwise]} ({percent(doubt.chance)})"
    if doubt.otherwise == found.outcome:
        wanted = "another value in the same range"
    return (
        f"{test.title}: {seen} does not fit the other findings, which expect {wanted}. "
        f"The chance that it was misread or taken at the wrong pin is {percent(doubt.slip)}; "
        f"look again before going on."
    )


def done_reason(prepared: Prepared, complaint: str, faults: NDArray[np.float64]) -> str:
    """What is left of suspicion when the complaint is gone after the last repair.

    The posterior of each fault, (faults,), has the repair and the check after it counted in.
    """
    able = prepared.stopping(complaint) > 0.0
    loose = np.where(able & _loose(prepared), faults, 0.0)
    gone = "It starts and runs after the last repair."
    # Faults at a few percent each hardly ever coincide, so their sum is the chance of any of them.
    chance = min(float(loose.sum()), 1.0)
    lead = leading(loose, 1)
    if chance > LEFT_OVER and lead:
        own = f"{fault_words(prepared, lead[0])} ({percent(float(faults[lead[0]]))})"
        return (
            f"{gone} With {percent(chance)} a loose joint that can bring it back is still there, "
            f"most likely {own}: move it while the machine runs through the check again."
        )
    lead = leading(faults, 1)
    if lead and faults[lead[0]] > LEFT_OVER:
        may = "may bring it back" if able[lead[0]] else "does not keep it from running by itself"
        own = f"{fault_words(prepared, lead[0])} ({percent(float(faults[lead[0]]))})"
        return f"{gone} Most suspect of what is left is {own}, which {may}."
    return f"{gone} Nothing that could bring it back is left above {percent(LEFT_OVER)}."


def _loose(prepared: Prepared) -> NDArray[np.bool_]:
    """(faults,) whether each makes contact only now and then."""
    parts = prepared.machine.parts
    return np.array(
        [part != UNLISTED and parts[part].modes[mode].loose for part, mode in prepared.faults]
    )


def _after(last: RepairDone | None) -> str:
    """How the last repair went, where the job is not over with it."""
    if last is None or last.check is None:
        return ""
    if last.check == RUNS:
        return "It ran after the last repair, but that is not likely to last: "
    return "It does not run after the last repair: "


def _lower(title: str) -> str:
    """A title within a sentence; what begins with an abbreviation stays."""
    return title[:1].lower() + title[1:] if title[1:2].islower() else title
