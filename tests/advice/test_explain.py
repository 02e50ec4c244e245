"""What the sentences say, read back and compared with probabilities worked out another way."""

from __future__ import annotations

import math
import re
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.advice.explain import (
    done_reason,
    escalate_reason,
    fault_words,
    minutes_words,
    percent,
    recheck_reason,
    repair_reason,
)
from diagnose.rule.minutes import access_minutes, repair_minutes
from diagnose.advice.recheck import Doubt
from diagnose.belief.situation import Finding, RepairDone, Situation
from diagnose.decision.ready_problems import ready_problems
from diagnose.faults.outcomes import complaint_chances
from tests import shipped
from tests.advice.walks import Step, steps_of

if TYPE_CHECKING:
    from diagnose.ahead.problem import DecisionProblem
    from diagnose.network.ready import ReadyMachine

NAMES = shipped.NAMES
PERCENT = r"((?:under |over )?\d+ %)"
MINUTES = r"([\d.]+) min"


def steps(name: str, action: str) -> list[Step]:
    return [one for one in steps_of(name) if one.verdict.action == action]


def is_about(words: str, probability: float) -> bool:
    """Whether a percentage in words is that of a probability, to half a percent."""
    number = float(re.findall(r"\d+", words)[0]) / 100.0
    if words.startswith("under"):
        return probability < number
    if words.startswith("over"):
        return probability > number
    return abs(probability - number) <= 0.005 + 1e-9


def faults_given(ready: ReadyMachine, evidence: dict[str, str]) -> tuple[np.ndarray, float]:
    """(faults,) a fresh posterior, and the natural logarithm of the evidence."""
    beliefs = ready.compiled.posterior(evidence)
    return np.array([beliefs[part][mode] for part, mode in ready.faults]), beliefs.log_evidence


def minutes_of_repair(
    ready: ReadyMachine, complaint: str, faults: np.ndarray, opened: set
) -> float:
    """Expected cost of repair (Heckerman, Breese & Rommelse 1995), written down plainly."""
    machine, blame = ready.machine, faults * (ready.explains[complaint] > 0.0)
    blame = dict(zip(ready.faults, blame / max(blame.sum(), 1.0), strict=True))
    repairs = [(part, one) for part in machine.parts.values() for one in part.repairs]

    def cost(part, repair) -> float:
        way, area = 0.0, part.area
        while area is not None:
            way += 0.0 if area in is_open else access_minutes(machine.areas[area])
            area = machine.areas[area].inside
        return repair_minutes(machine, repair) + way

    def waste(repair) -> float:
        return machine.shop.good_part_minutes if repair.id == "replace" else 0.0

    def chance(part, repair) -> float:
        return sum(blame.get((part.id, mode), 0.0) for mode in repair.fixes)

    is_open, spent, left = set(opened), 0.0, 1.0
    best = machine.shop.escalate_minutes
    while repairs:
        part, repair = max(repairs, key=lambda one: chance(*one) / (cost(*one) + waste(one[1])))
        if chance(part, repair) <= 1e-9:
            break
        spent += left * cost(part, repair)
        left -= chance(part, repair)
        spent += waste(repair) * max(left, 0.0)
        best = min(best, spent + left * machine.shop.escalate_minutes)
        blame |= {(part.id, mode): 0.0 for mode in repair.fixes}
        repairs.remove((part, repair))
        area = part.area
        while area is not None:
            is_open.add(area)
            area = machine.areas[area].inside
    return best


@cache
def problem_of(name: str, complaint: str) -> DecisionProblem:
    return ready_problems(shipped.behaviour(name).machine).problem(complaint)


def weights_of(name: str, complaint: str, findings: dict[str, str]) -> np.ndarray:
    """(hypotheses,) by enumeration: the prior times the chance of each outcome."""
    held, tests = ready_problems(shipped.behaviour(name).machine), shipped.ready(name).machine.tests
    problem, column = held.problem(complaint), shipped.behaviour(name).column[complaint]
    found = held.space.prior * complaint_chances(held.space.readings(column))[:, 0]
    for test, outcome in findings.items():
        place = [one.id for one in tests[test].outcomes].index(outcome)
        start = problem.tables.start[problem.tests.names.index(test)]
        found *= problem.tables.like[:, start + place]
    return found


def test_every_verdict_is_met() -> None:
    met = {one.verdict.action for name in NAMES for one in steps_of(name)}
    assert met == {"test", "repair", "recheck", "escalate"}


@pytest.mark.parametrize("name", NAMES)
def test_a_reason_is_one_or_two_sentences(name: str) -> None:
    for step in steps_of(name):
        reason = step.verdict.reason
        assert reason[-1] == "."
        assert 1 <= len(re.findall(r"\.(?= [A-Z]|$)", reason)) <= 2, reason
        assert "nan" not in reason
        assert reason[0] == reason[0].upper()


@pytest.mark.parametrize("name", NAMES)
def test_what_a_test_tells_is_what_a_fresh_posterior_says(name: str) -> None:
    ready = shipped.ready(name)
    for step in steps(name, "test"):
        complaint, test = step.situation.complaint, ready.machine.tests[step.verdict.target]
        _, before = faults_given(ready, step.evidence)
        told = 0.0
        for outcome in test.outcomes:
            if not any(one.outcome == outcome.id for one in chances_of(step) if one.chance >= 0.02):
                continue
            faults, after = faults_given(ready, {**step.evidence, test.id: outcome.id})
            chance = math.exp(after - before)
            words = rf"{re.escape(outcome.title)} \({PERCENT}\) leaves (.+?) ahead at {PERCENT}[;.]"
            match = re.search(words, step.verdict.reason, re.IGNORECASE)
            assert match, (step.verdict.reason, outcome.title)
            assert is_about(match[1], chance)
            told += chance
            blame = faults * (ready.explains[complaint] > 0.0)
            best = np.flatnonzero(blame >= blame.max() - 1e-9)
            assert match[2] in {fault_words(ready, int(f)) for f in best}
            assert any(is_about(match[3], float(faults[f])) for f in best)
        assert told > 0.9


class Chance:
    """An outcome and its chance, as the advice lists them."""

    def __init__(self, outcome: str, chance: float) -> None:
        self.outcome, self.chance = outcome, chance


def chances_of(step: Step) -> list[Chance]:
    one = next(c for c in step.outlook.candidates if c.test.id == step.verdict.target)
    pairs = zip(one.test.outcomes, one.chances, strict=True)
    return [Chance(outcome.id, float(chance)) for outcome, chance in pairs]


@pytest.mark.parametrize("name", NAMES)
def test_minutes_saved_are_those_of_a_plain_list_of_repairs(name: str) -> None:
    ready = shipped.ready(name)
    for step in steps(name, "test"):
        complaint, test = step.situation.complaint, ready.machine.tests[step.verdict.target]
        before, log_evidence = faults_given(ready, step.evidence)
        opened, area, takes = set(), test.area, test.minutes
        while area is not None:
            opened.add(area)
            takes += access_minutes(ready.machine.areas[area])
            area = ready.machine.areas[area].inside
        now = minutes_of_repair(ready, complaint, before, set())
        saved = now - takes
        for outcome in test.outcomes:
            evidence = {**step.evidence, test.id: outcome.id}
            beliefs = ready.compiled.propagate_cases([ready.compiled.encode(evidence)])
            chance = math.exp(float(beliefs.log_evidence[0]) - log_evidence)
            if chance > 1e-12:
                faults, _ = faults_given(ready, evidence)
                saved -= chance * minutes_of_repair(ready, complaint, faults, opened)
        match = re.match(rf"Takes {MINUTES} and is worth {MINUTES} on average", step.verdict.reason)
        if match is None:
            assert step.verdict.reason.startswith(f"Takes {minutes_words(takes)}; it pays")
            assert saved < 0.06
        else:
            assert float(match[1]) == pytest.approx(takes, abs=0.51 if takes > 9.9 else 0.051)
            assert float(match[2]) == pytest.approx(saved, abs=0.51 if saved > 9.9 else 0.051)
        instead = "handing over" if step.outlook.first_repair < 0 else "repairing"
        assert f"against {instead} now" in step.verdict.reason


@pytest.mark.parametrize("name", NAMES)
def test_a_repair_ends_the_complaint_as_often_as_fault_sets_say(name: str) -> None:
    # Enumeration: the share of fault sets that hold something which gives the complaint, now and
    # then at least, and hold it no longer once the repair has taken out what it fixes. The
    # engine's figure counts faults one by one, so pairs make a difference.
    ready, off = shipped.ready(name), []
    for step in steps(name, "repair"):
        problem = problem_of(name, step.situation.complaint)
        row = problem.repairs.names.index(step.verdict.target)
        found = {one.test: one.outcome for one in step.situation.findings}
        weights = weights_of(name, step.situation.complaint, found)
        able = np.flatnonzero(ready.explains[step.situation.complaint] > 0.0)
        gives = np.isin(problem.tables.faults_of, able).any(axis=1)
        ended = gives & ~gives[problem.repairs.after[row]]
        chance = float(weights @ ended / weights.sum())
        match = re.search(rf"a chance of {PERCENT} to end the complaint", step.verdict.reason)
        assert match
        told = float(re.findall(r"\d+", match[1])[0]) / 100.0
        off.append(told - chance)
        faults, _ = faults_given(ready, step.evidence)
        minutes = minutes_of_repair(ready, step.situation.complaint, faults, set())
        match = re.search(rf"takes {MINUTES} on average", step.verdict.reason)
        assert match
        assert float(match[1]) == pytest.approx(minutes, abs=0.51 if minutes > 9.9 else 0.051)
    assert off
    assert np.abs(off).max() < 0.08
    assert np.abs(off).mean() < 0.03


@pytest.mark.parametrize("name", NAMES)
def test_who_is_to_blame_for_a_repair_or_for_handing_over(name: str) -> None:
    ready = shipped.ready(name)
    for step in (*steps(name, "repair"), *steps(name, "escalate")):
        faults, _ = faults_given(ready, step.evidence)
        blame = faults * (ready.explains[step.situation.complaint] > 0.0)
        blame /= max(blame.sum(), 1.0)
        if step.verdict.action == "repair":
            part, repair = step.verdict.target.split(".")
            known = next(r for r in ready.machine.parts[part].repairs if r.id == repair)
            fixed = [p == part and mode in known.fixes for p, mode in ready.faults]
            blame = np.where(fixed, blame, 0.0)
        best = np.flatnonzero(blame >= blame.max() - 1e-9)
        assert any(fault_words(ready, int(f)) in step.verdict.reason for f in best)
        told = re.findall(PERCENT, step.verdict.reason)
        assert any(is_about(words, float(blame[best[0]])) for words in told)


def test_a_finding_that_does_not_fit_is_a_slip_as_often_as_fault_sets_say() -> None:
    # Bayes by enumeration: P(slip | e) = s / n sum_h w_h / sum_h w_h P(outcome | h).
    # What is not a slip takes three or four faults at once, of which the fault sets hold a sample.
    off = []
    for name in NAMES:
        for step in steps(name, "recheck"):
            test = shipped.ready(name).machine.tests[step.verdict.target]
            found = {one.test: one.outcome for one in step.situation.findings}
            outcome = found.pop(test.id)
            weights = weights_of(name, step.situation.complaint, found)
            all_of_it = weights_of(name, step.situation.complaint, {**found, test.id: outcome})
            slip = test.slip_percent / 100.0 / len(test.outcomes) * weights.sum() / all_of_it.sum()
            match = re.search(rf"wrong pin is {PERCENT}", step.verdict.reason)
            assert match
            told = float(re.findall(r"\d+", match[1])[0]) / 100.0
            off.append(told - min(slip, 1.0))
            titles = {one.id: one.title for one in test.outcomes}
            assert f"{test.title}: {titles[outcome]} does not fit" in step.verdict.reason
            chances = [
                weights_of(name, step.situation.complaint, {**found, test.id: one}).sum()
                for one in titles
            ]
            wanted = test.outcomes[int(np.argmax(chances))].title
            assert f"expect {wanted} (" in step.verdict.reason
    assert len(off) >= 3
    assert np.abs(off).max() < 0.2
    assert np.abs(off).mean() < 0.1


@pytest.mark.parametrize("name", NAMES)
def test_what_is_left_after_the_complaint_is_gone(name: str) -> None:
    # Enumeration: fault sets after the repair, weighed by the chance that the check shows nothing.
    ready = shipped.ready(name)
    warned = calm = 0
    for step in steps(name, "repair"):
        problem = problem_of(name, step.situation.complaint)
        row = problem.repairs.names.index(step.verdict.target)
        found = {one.test: one.outcome for one in step.situation.findings}
        before = weights_of(name, step.situation.complaint, found)
        after = np.bincount(problem.repairs.after[row], before, len(before)) * (1.0 - problem.same)
        after /= after.sum()
        sets = problem.tables.faults_of
        faults = np.array([after[(sets == f).any(axis=1)].sum() for f in range(len(ready.faults))])
        able = ready.explains[step.situation.complaint] > 0.0
        loose = [
            f
            for f, (part, mode) in enumerate(ready.faults)
            if able[f]
            and part in ready.machine.parts
            and ready.machine.parts[part].modes[mode].loose
        ]
        chance = float(after[np.isin(sets, loose).any(axis=1)].sum())
        reason = done_reason(ready, step.situation.complaint, faults)
        assert reason.startswith("The complaint is gone after the last repair.")
        match = re.search(
            rf"With {PERCENT} a loose joint .* most likely (.+) \({PERCENT}\)", reason
        )
        if chance > 0.052:
            assert match
            assert abs(float(re.findall(r"\d+", match[1])[0]) / 100.0 - chance) < 0.012
            assert match[2] == fault_words(ready, loose[int(np.argmax(faults[loose]))])
            warned += 1
        elif chance < 0.048:
            assert match is None
            calm += 1
        else:
            assert match is None or abs(chance - 0.05) < 0.002
    assert warned + calm > 0


def test_the_words_when_the_complaint_is_gone_by_hand() -> None:
    ready = shipped.ready("utility_vehicle")
    machine, number = ready.machine, {fault: f for f, fault in enumerate(ready.faults)}
    loose = next(
        (p.id, m.id) for p in machine.parts.values() for m in p.modes.values()
        if m.loose and ready.explains["silent"][number[p.id, m.id]] > 0.0
    )  # fmt: skip
    none = np.zeros(len(ready.faults))
    assert "Nothing that could bring it back is left above 5 %." in done_reason(
        ready, "silent", none
    )
    faults = none.copy()
    faults[number[loose]] = 0.06
    assert "With 6 % a loose joint" in done_reason(ready, "silent", faults)
    faults[number[loose]] = 0.04
    assert "loose joint" not in done_reason(ready, "silent", faults)
    for fault, words in ((True, "may bring it back"), (False, "does not give this complaint")):
        left = none.copy()
        able = (ready.explains["silent"] > 0.0) == fault
        plain = [f for f in np.flatnonzero(able) if not is_loose(ready, int(f))]
        left[plain[0]] = 0.3
        reason = done_reason(ready, "silent", left)
        assert words in reason
        assert f"{fault_words(ready, int(plain[0]))} (30 %)" in reason


def is_loose(ready: ReadyMachine, fault: int) -> bool:
    part, mode = ready.faults[fault]
    return part in ready.machine.parts and ready.machine.parts[part].modes[mode].loose


def test_after_a_repair_in_vain_the_reason_says_so() -> None:
    ready = shipped.ready("standby_pump")
    step = steps("standby_pump", "repair")[0]
    complaint = step.situation.complaint
    unseen = RepairDone("battery", "charge")
    plain = repair_reason(ready, complaint, step.outlook)
    assert repair_reason(ready, complaint, step.outlook, unseen) == plain == step.verdict.reason
    for gone, words in ((False, "Still there after"), (True, "Gone after")):
        done = RepairDone("battery", "charge", gone)
        for reason in (
            repair_reason(ready, complaint, step.outlook, done),
            escalate_reason(ready, step.outlook, done),
        ):
            assert reason.startswith(f"{words} the last repair")
            assert len(re.findall(r"\.(?= [A-Z]|$)", reason)) <= 2


def test_a_reading_that_does_not_fit_is_told_with_its_unit() -> None:
    ready = shipped.ready("utility_vehicle")
    test = ready.machine.tests["battery_rest"]
    good, other = test.outcomes[0], test.outcomes[1]
    situation = Situation("silent", (Finding("battery_rest", good.id, 12.71),))
    doubt = Doubt("battery_rest", 0.8, other.id, 0.9)
    reason = recheck_reason(ready, situation, doubt)
    assert f"{test.title}: 12.71 V ({good.title}) does not fit" in reason
    assert f"expect {other.title} (90 %)" in reason
    same = recheck_reason(ready, situation, Doubt("battery_rest", 0.8, good.id, 0.9))
    assert "expect another value in the same range" in same


@pytest.mark.parametrize(
    ("probability", "words"),
    [(0.0, "under 1 %"), (0.0099, "under 1 %"), (0.01, "1 %"), (0.994, "99 %"), (1.0, "over 99 %")],
)
def test_percentages_at_the_ends(probability: float, words: str) -> None:
    assert percent(probability) == words


@pytest.mark.parametrize(
    ("minutes", "words"), [(0.04, "0.0 min"), (9.94, "9.9 min"), (9.97, "10 min"), (60.4, "60 min")]
)
def test_minutes_have_no_false_digits(minutes: float, words: str) -> None:
    assert minutes_words(minutes) == words
