"""What must hold of every belief, whatever machine and job: no referee is needed."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.belief import belief as beliefs
from diagnose.belief.belief import believe
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from diagnose.faults.outcomes import outcome_chances
from diagnose.machine.checks import check_text
from diagnose.machine.load import read_machine
from diagnose.rule.prepared import Prepared, prepared
from tests.belief.lift import FILE, grow_everything, job, lift
from tests.faults.machines import shipped

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.belief.belief import Belief

PUMP = "standby_pump"


def by_name(kind: Prepared, belief: Belief) -> dict[tuple[str, str], float]:
    return dict(zip(kind.faults, belief.survey.faults.tolist(), strict=True))


def shuffled(situation: Situation, seed: int) -> Situation:
    """The same findings in another order within each stretch of the job."""
    order = random.Random(seed)  # noqa: S311 - an order of findings

    def mixed(findings: tuple[Finding, ...]) -> tuple[Finding, ...]:
        return tuple(order.sample(findings, len(findings)))

    past = tuple(replace(epoch, findings=mixed(epoch.findings)) for epoch in situation.past)
    return replace(situation, findings=mixed(situation.findings), past=past)


@pytest.mark.parametrize("seed", range(6))
def test_the_order_of_findings_is_irrelevant(seed: int) -> None:
    situation = job(seed, seed % 3, tests=5)
    one, other = (believe(lift().sets, case) for case in (situation, shuffled(situation, seed)))
    np.testing.assert_allclose(one.survey.faults, other.survey.faults, atol=1e-9)
    np.testing.assert_allclose(one.survey.gain_bits, other.survey.gain_bits, atol=1e-8)
    assert one.log_evidence == pytest.approx(other.log_evidence, abs=1e-9)
    assert (one.doubt is None) == (other.doubt is None)
    if one.doubt is not None and other.doubt is not None:
        assert one.doubt.test == other.doubt.test
        assert one.doubt.slip == pytest.approx(other.doubt.slip, abs=1e-9)


def test_two_questions_about_one_cause_are_doubted_alike_in_any_order() -> None:
    # Found by one, not by the other, and rare besides: one of the two is wrong.
    damp = replace(lift().machine.shared_causes["damp"], per_1000_jobs=15.0)
    causes = {**lift().machine.shared_causes, "damp": damp}
    kind = prepared(replace(lift().machine, shared_causes=causes, content_hash="rarely damp"))
    findings = (Finding("look_damp", "found"), Finding("ask_wet", "not_found"))
    doubts = [
        believe(kind.sets, Situation("slow_lift", order)).doubt
        for order in (findings, findings[::-1])
    ]
    assert doubts[0] is not None
    assert doubts[1] is not None
    assert doubts[0].test == doubts[1].test == "look_damp"
    assert doubts[0].slip == pytest.approx(doubts[1].slip, abs=1e-12)


NEW_NAMES = {
    "key_switch": "aa_knob",
    "charger": "zz_coil",
    "nest": "zz_mice",
    "damp": "aa_rain",
    "no_lift": "zz_stands",
    "motor_in": "aa_stud",
}


@cache
def renamed() -> Prepared:
    """The lift with other ids for parts, causes, nets and a complaint."""
    text = FILE.read_text(encoding="utf-8")
    for old, new in NEW_NAMES.items():
        text = text.replace(old, new)
    assert not check_text(text)[1]
    return prepared(read_machine(text, "renamed"))


def with_new_names(situation: Situation) -> Situation:
    text = repr(situation)
    for old, new in NEW_NAMES.items():
        for name in ("{}", "look_{}"):
            text = text.replace(f"'{name.format(old)}'", f"'{name.format(new)}'")
    return eval(text)  # noqa: S307 - written by ourselves one line above


def new_name(name: str) -> str:
    return NEW_NAMES.get(name, name)


@pytest.mark.parametrize("seed", range(3))
def test_renaming_changes_nothing(seed: int) -> None:
    situation = job(seed, 1)
    one = by_name(lift(), believe(lift().sets, situation))
    other = by_name(renamed(), believe(renamed().sets, with_new_names(situation)))
    assert {(new_name(part), new_name(mode)): p for (part, mode), p in one.items()} == other


def test_the_order_of_parts_in_the_file_is_irrelevant(monkeypatch: pytest.MonkeyPatch) -> None:
    grow_everything(monkeypatch)
    parts = dict(reversed(lift().machine.parts.items()))
    kind = prepared(replace(lift().machine, parts=parts, content_hash="last part first"))
    situation = job(4, 1)
    one = by_name(lift(), believe(lift().sets, situation))
    other = by_name(kind, believe(kind.sets, situation))
    assert one == pytest.approx(other, abs=1e-10)


@pytest.mark.parametrize("seed", range(2))
def test_surprises_multiply_to_the_evidence(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Chain rule: the product of each chance given all before it, nothing left out."""
    grow_everything(monkeypatch)
    belief = believe(lift().sets, job(20 + seed, seed % 3))
    told = sum(math.log(seen.chance) for seen in belief.surprises)
    assert told == pytest.approx(belief.log_evidence, abs=1e-10)


def test_a_surprise_is_what_was_expected_before(monkeypatch: pytest.MonkeyPatch) -> None:
    grow_everything(monkeypatch)
    situation = Situation(
        "no_lift",
        past=(Epoch((Finding("pilot", "dark"),), RepairDone("charger", "replace", "no_lift")),),
    )
    before = believe(lift().sets, situation)
    for name, outcome in (("ask_charging", "found"), ("look_damp", "found"), ("watch", "slow")):
        number = list(lift().machine.tests).index(name)
        test = lift().machine.tests[name]
        place = [one.id for one in test.outcomes].index(outcome)
        expected = before.survey.chance[before.survey.start[number] + place]
        situation = replace(situation, findings=(*situation.findings, Finding(name, outcome)))
        after = believe(lift().sets, situation)
        assert after.surprises[-1].chance == pytest.approx(expected, abs=1e-12)
        assert after.log_evidence - before.log_evidence == pytest.approx(math.log(expected))
        before = after


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("machine", ["lift", PUMP])
def test_gains_are_what_the_outcome_is_in_doubt_less_what_the_sets_leave(
    machine: str, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """I(faults; T) = H(T) - sum_S P(S) H(T | S), every set solved anew; of the sets looked at,
    without the correction for faults that change nothing found. Where a joint is loose, H(T | S) is
    that of the mixture of how it may stand."""
    monkeypatch.setattr(beliefs, "with_silent", lambda known, *_: known)
    kind = lift() if machine == "lift" else shipped(machine)
    belief = believe(kind.sets, job(40 + seed, seed, kind=kind))
    none = len(kind.faults)
    sets = [tuple(f for f in row if f < none) for row in belief.members.tolist()]
    readings = kind.behaviour.readings(sets)
    assert belief.weight.sum() == pytest.approx(1.0, abs=1e-12)
    for number, test in enumerate(kind.machine.tests.values()):
        if test.cause is None:
            values = readings[:, kind.behaviour.column_of(test)]
            under = outcome_chances(test, values)
            if test.kind != "wiggle" and not (test.kind == "look" and test.parts):
                stays = [outcome_chances(test, values[:, [k, k]]) for k in (0, 1)]
                mixture = np.stack([under, *stays]) * belief.manners.T[:, :, None]
                under = mixture.sum(axis=0)
        else:
            p = belief.there[:, kind.sets.priors.causes.index(test.cause), None]
            absent, present = kind.sets.columns.by_cause[number][:, : len(test.outcomes)]
            under = (1.0 - p) * absent + p * present
        chances = belief.weight @ under
        rows = slice(belief.survey.start[number], belief.survey.start[number + 1])
        np.testing.assert_allclose(belief.survey.chance[rows], chances, atol=1e-12)
        left = float(belief.weight @ entropy(under))
        gain = float(entropy(chances[None])[0]) - left
        assert belief.survey.gain_bits[number] == pytest.approx(max(gain, 0.0), abs=1e-11)


def entropy(chances: np.ndarray) -> np.ndarray:
    """(rows,) bits."""
    return -(chances * np.log2(chances, where=chances > 0.0, out=np.zeros_like(chances))).sum(
        axis=1
    )


def test_a_meter_that_only_slips_tells_nothing() -> None:
    """Independent of everything: I = 0."""
    number = list(lift().machine.tests).index("battery_rest")
    broken = replace(lift().machine.tests["battery_rest"], slip_percent=100.0)
    tests = {**lift().machine.tests, "battery_rest": broken}
    kind = prepared(replace(lift().machine, tests=tests, content_hash="a meter that only slips"))
    plain = believe(lift().sets, Situation("no_lift")).survey
    assert plain.gain_bits[number] > 0.1
    assert believe(kind.sets, Situation("no_lift")).survey.gain_bits[number] < 1e-12


def assert_sound(kind: Prepared, belief: Belief) -> None:
    """Everything is a number, and every probability one."""
    survey = belief.survey
    for array in (belief.weight, belief.there, survey.chance, survey.faults, survey.joint):
        assert np.isfinite(array).all()
        assert (array >= 0.0).all()
        assert (array <= 1.0 + 1e-9).all()
    assert np.isfinite(survey.gain_bits).all()
    assert (survey.gain_bits >= 0.0).all()
    assert math.isfinite(belief.log_evidence)
    assert 0.0 <= belief.left_out <= 1.0
    assert all(0.0 <= seen.chance <= 1.0 for seen in belief.surprises)
    totals: dict[str, float] = {}
    for (part, _), chance in by_name(kind, belief).items():
        totals[part] = totals.get(part, 0.0) + chance
    assert max(totals.values()) <= 1.0 + 1e-9
    for first, last in zip(survey.start[:-1], survey.start[1:], strict=True):
        assert survey.chance[first:last].sum() == pytest.approx(1.0, abs=1e-9)


def findings_of(kind: Prepared) -> st.SearchStrategy[tuple[Finding, ...]]:
    """Any findings at all, whether they fit each other or not."""

    def of(name: str) -> st.SearchStrategy[Finding]:
        test = kind.machine.tests[name]
        outcome = st.sampled_from([one.id for one in test.outcomes])
        sure = st.sampled_from([1.0, 1.0, 0.7, 1e-6])
        plain = st.builds(Finding, st.just(name), outcome, st.none(), sure)
        if test.unit is None:
            return plain
        number = st.floats(test.low, test.high)
        return plain | st.builds(Finding, st.just(name), outcome, number, sure)

    names = st.lists(st.sampled_from(list(kind.machine.tests)), max_size=5, unique=True)
    return names.flatmap(lambda chosen: st.tuples(*map(of, chosen)))


def situations(kind: Callable[[], Prepared]) -> st.SearchStrategy[Situation]:
    """Any job at all, up to three repairs."""
    machine = kind().machine
    repairs = [(part.id, repair.id) for part in machine.parts.values() for repair in part.repairs]
    shown = ("runs", *machine.complaints, "other", None)
    done = st.tuples(st.sampled_from(repairs), st.sampled_from(shown))
    epoch = st.builds(
        lambda findings, what: Epoch(findings, RepairDone(*what[0], what[1])),
        findings_of(kind()),
        done,
    )
    return st.builds(
        lambda complaint, findings, past: Situation(complaint, findings, past=tuple(past)),
        st.sampled_from(list(machine.complaints)),
        findings_of(kind()),
        st.lists(epoch, max_size=3),
    )


@given(st.data())
@settings(max_examples=30, deadline=None)
def test_any_job_is_answered_in_numbers(data: st.DataObject) -> None:
    assert_sound(lift(), believe(lift().sets, data.draw(situations(lift))))


@given(st.data())
@settings(max_examples=8, deadline=None)
def test_any_job_on_a_shipped_machine_is_answered_in_numbers(data: st.DataObject) -> None:
    situation = data.draw(situations(lambda: shipped(PUMP)))
    assert_sound(shipped(PUMP), believe(shipped(PUMP).sets, situation))
