"""What the sentences say, read back and compared with probabilities worked out another way."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.advice.explain import (
    after_outcome,
    done_reason,
    escalate_reason,
    fault_words,
    minutes_words,
    percent,
    recheck_reason,
    repair_reason,
)
from diagnose.belief.belief import Doubt
from diagnose.belief.situation import Finding, RepairDone, Situation
from diagnose.machine.load import machine_names
from diagnose.rule.minutes import opening_minutes, to_open
from tests.advice.by_hand import expected_minutes
from tests.advice.walks import Step, ready, steps_of

if TYPE_CHECKING:
    from diagnose.rule.prepared import Prepared

NAMES = machine_names()
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
def test_what_a_test_tells_is_what_the_belief_says(name: str) -> None:
    known = ready(name)
    for step in steps(name, "test"):
        number = known.costs.tests.names.index(step.verdict.target)
        able, told, rare = step.decision.outlook.explains, 0.0, 0.0
        for place, outcome in enumerate(known.machine.tests[step.verdict.target].outcomes):
            chance, faults = after_outcome(step.belief.survey, number, place)
            if chance < 0.02:
                rare += chance
                continue
            words = rf"{re.escape(outcome.title)} \({PERCENT}\) leaves (.+?) ahead at {PERCENT}[;.]"
            match = re.search(words, step.verdict.reason, re.IGNORECASE)
            assert match, (step.verdict.reason, outcome.title)
            assert is_about(match[1], chance)
            told += chance
            blame = faults * able
            best = np.flatnonzero(blame >= blame.max() - 1e-9)
            assert match[2] in {fault_words(known, int(f)) for f in best}
            assert any(is_about(match[3], float(faults[f])) for f in best)
        # what trying shows is one of twenty on the boat, most of them under 2 %
        assert told + rare == pytest.approx(1.0)
        assert told > (0.9 if len(known.machine.tests[step.verdict.target].outcomes) < 15 else 0.85)


@pytest.mark.parametrize("name", NAMES)
def test_minutes_saved_are_those_of_a_plain_list_of_repairs(name: str) -> None:
    known = ready(name)
    for step in steps(name, "test"):
        test = known.machine.tests[step.verdict.target]
        number, able = known.costs.tests.names.index(test.id), step.decision.outlook.explains
        opened = to_open(known.machine, test.area, ())
        takes = test.minutes + opening_minutes(known.machine, opened)
        before = step.belief.survey.faults * able
        survey = step.belief.survey
        fine = survey.in_order
        saved = expected_minutes(known.machine, known.faults, before, (), fine) - takes
        for place in range(len(test.outcomes)):
            chance, faults = after_outcome(step.belief.survey, number, place)
            if chance > 1e-12:
                fine = float(survey.fine[survey.start[number] + place]) / chance
                minutes = expected_minutes(known.machine, known.faults, faults * able, opened, fine)
                saved -= chance * minutes
        match = re.match(rf"Takes {MINUTES} and is worth {MINUTES} on average", step.verdict.reason)
        if match is None:
            assert step.verdict.reason.startswith(f"Takes {minutes_words(takes)}; it pays")
            assert saved < 0.06
        else:
            assert float(match[1]) == pytest.approx(takes, abs=0.51 if takes > 9.9 else 0.051)
            assert float(match[2]) == pytest.approx(saved, abs=0.51 if saved > 9.9 else 0.051)
        instead = "handing over" if step.decision.outlook.first_repair < 0 else "repairing"
        assert f"against {instead} now" in step.verdict.reason


@pytest.mark.parametrize("name", NAMES)
def test_who_is_to_blame_for_a_repair_or_for_handing_over(name: str) -> None:
    known = ready(name)
    for step in (*steps(name, "repair"), *steps(name, "escalate")):
        faults = step.belief.survey.faults
        blame = faults * step.decision.outlook.explains
        blame /= max(blame.sum(), 1.0 - step.belief.survey.in_order)
        if step.verdict.action == "repair":
            part, repair = step.verdict.target.split(".")
            done = next(r for r in known.machine.parts[part].repairs if r.id == repair)
            fixed = [p == part and mode in done.fixes for p, mode in known.faults]
            blame = np.where(fixed, blame, 0.0)
        best = np.flatnonzero(blame >= blame.max() - 1e-9)
        assert any(fault_words(known, int(f)) in step.verdict.reason for f in best)
        told = re.findall(PERCENT, step.verdict.reason)
        assert any(is_about(words, float(blame[best[0]])) for words in told)


def test_the_words_when_the_complaint_is_gone_by_hand() -> None:
    known = ready("utility_vehicle")
    machine, number = known.machine, {fault: f for f, fault in enumerate(known.faults)}
    loose = next(
        (p.id, m.id) for p in machine.parts.values() for m in p.modes.values()
        if m.loose and known.stopping("silent")[number[p.id, m.id]] > 0.0
    )  # fmt: skip
    none = np.zeros(len(known.faults))
    assert "Nothing that could bring it back is left above 5 %." in done_reason(
        known, "silent", none
    )
    faults = none.copy()
    faults[number[loose]] = 0.06
    assert "With 6 % a loose joint" in done_reason(known, "silent", faults)
    faults[number[loose]] = 0.04
    assert "loose joint" not in done_reason(known, "silent", faults)
    for fault, words in ((True, "may bring it back"), (False, "does not keep it from running")):
        left = none.copy()
        able = (known.stopping("silent") > 0.0) == fault
        plain = [f for f in np.flatnonzero(able) if not is_loose(known, int(f))]
        left[plain[0]] = 0.3
        reason = done_reason(known, "silent", left)
        assert words in reason
        assert f"{fault_words(known, int(plain[0]))} (30 %)" in reason


def is_loose(known: Prepared, fault: int) -> bool:
    part, mode = known.faults[fault]
    return part in known.machine.parts and known.machine.parts[part].modes[mode].loose


def test_after_a_repair_in_vain_the_reason_says_so() -> None:
    known = ready("standby_pump")
    step = steps("standby_pump", "repair")[0]
    unseen = RepairDone("battery", "charge")
    plain = repair_reason(known, step.decision.outlook)
    assert repair_reason(known, step.decision.outlook, unseen) == plain == step.verdict.reason
    for check, words in (("silent", "It does not run after"), ("runs", "It ran after")):
        done = RepairDone("battery", "charge", check)
        for reason in (
            repair_reason(known, step.decision.outlook, done),
            escalate_reason(known, step.decision.outlook, done),
        ):
            assert reason.startswith(f"{words} the last repair")
            assert len(re.findall(r"\.(?= [A-Z]|$)", reason)) <= 2


def test_a_reading_that_does_not_fit_is_told_with_its_unit() -> None:
    known = ready("utility_vehicle")
    test = known.machine.tests["battery_rest"]
    good, other = test.outcomes[0], test.outcomes[1]
    situation = Situation("silent", (Finding("battery_rest", good.id, 12.71),))
    doubt = Doubt("battery_rest", 0.8, other.id, 0.9)
    reason = recheck_reason(known, situation, doubt)
    assert f"{test.title}: 12.71 V ({good.title}) does not fit" in reason
    assert f"expect {other.title} (90 %)" in reason
    same = recheck_reason(known, situation, Doubt("battery_rest", 0.8, good.id, 0.9))
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
