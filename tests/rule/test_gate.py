"""The rule by which a test is chosen: by hand, and the same in the advice and in the trials.

The advice takes its belief from the network, the trials take theirs from lists of fault sets. Here
the advice is given the belief of the trials, so that only the rule is compared.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING
from unittest import mock

import numpy as np
import pytest

from diagnose.rule import gate, ranking
from diagnose.advice.advise import verdict
from diagnose.advice.ranking import look_ahead
from diagnose.belief.situation import Finding, Situation, encode
from diagnose.advice.what_each_says import Said
from diagnose.ahead import kernels
from diagnose.ahead.policies import Gate, gate_ranking, look, rate_of
from diagnose.decision.ready_problems import ready_problems
from diagnose.ahead.state import Bench
from tests import shipped

if TYPE_CHECKING:
    from diagnose.advice.ranking import Outlook
    from diagnose.ahead.problem import DecisionProblem
    from diagnose.ahead.state import State

JOBS, STEPS = 6, 7


def test_opening_counts_by_the_chance_that_the_repair_does_not_need_it() -> None:
    # Cost clusters (Ottosen & Jensen 2010): what is opened once serves all that lies behind it.
    # Two areas of 4 and 10 minutes; faults of 0.5, 0.3 and 0.2, the first two behind the first.
    way = np.array([[1.0, 0.0], [1.0, 1.0], [0.0, 0.0]])
    opened = gate.chance_opened(np.array([0.5, 0.3, 0.2]), way)
    np.testing.assert_allclose(opened, [0.8, 0.3])
    opening = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 10.0]])
    added = gate.added_minutes(np.array([1.0, 5.0, 15.0]), opening, opened)
    np.testing.assert_allclose(added, [1.0, 1.0 + 0.2 * 4.0, 1.0 + 0.2 * 4.0 + 0.7 * 10.0])


def test_an_area_is_not_opened_more_than_surely() -> None:
    # several faults at once can add up to more than one
    np.testing.assert_allclose(gate.chance_opened(np.array([0.9, 0.8]), np.ones((2, 1))), [1.0])


def test_a_quick_repair_is_tried_before_a_slow_test() -> None:
    # Two faults of 0.8 and 0.2: H = 0.7219 bits (Shannon's binary entropy, Cover & Thomas, ch. 2).
    # Cleaning for 5 minutes ends it with 0.8; in vain are 5 * 0.2 / 0.8 = 1.25 minutes for each
    # success. A test must find out in less: 0.7219 / 1.25 bits per minute.
    blame = np.array([0.8, 0.2])
    least = gate.least_bits_per_minute(blame, 0.8, 5.0, new_part=False)
    assert least == pytest.approx(0.7219281 / 1.25, rel=1e-6)
    gain, minutes = np.array([0.7219, 0.7219]), np.array([1.2, 1.3])
    rate = gate.bits_per_minute(gain, minutes)
    assert gate.in_question(gain, rate, least).tolist() == [True, False]
    assert gate.least_bits_per_minute(blame, 0.8, 5.0, new_part=True) == 0.0


def test_a_test_that_takes_no_time_has_a_finite_rate() -> None:
    assert np.isfinite(gate.bits_per_minute(np.array([0.5]), np.array([0.0]))).all()


@cache
def problem_of(name: str, complaint: str) -> DecisionProblem:
    return ready_problems(shipped.behaviour(name).machine).problem(complaint)


def said_of(name: str, bench: Bench, state: State, situation: Situation) -> Said:
    """What the fault sets of a state say, in the words of the advice."""
    problem, ready = bench.problem, shipped.ready(name)
    view = look(bench, state)
    tests = ranking.available_tests(ready, situation)
    numbers = [problem.tests.names.index(test.id) for test in tests]
    suspects = np.flatnonzero(problem.tables.explains > 0.0)
    start = problem.tables.start
    columns = np.concatenate([np.arange(*start[t : t + 2]) for t in numbers])
    joint = problem.tables.like[state.active][:, columns] * state.weight[:, None]
    holds = holding(problem, state)
    chances = joint.sum(axis=0)
    return Said(
        beliefs=ready.compiled.beliefs(encode(ready, situation)),
        faults=state.weight @ holds,
        tests=tuple(tests),
        offsets=np.cumsum([0, *(len(test.outcomes) for test in tests)]),
        gains_bits=view.gain_bits[numbers],
        chances=chances,
        suspects=suspects,
        after=joint.T @ holds[:, suspects] / np.maximum(chances, 1e-300)[:, None],
    )


def holding(problem: DecisionProblem, state: State) -> np.ndarray:
    """(active, faults) 1 where the fault set holds the fault."""
    listed = problem.tables.faults_of[state.active]
    found = np.zeros((len(listed), len(problem.faults)))
    row, place = np.nonzero(listed >= 0)
    found[row, listed[row, place]] = 1.0
    return found


def outlook_of(name: str, bench: Bench, state: State, situation: Situation) -> Outlook:
    """The look ahead of the advice on the belief of a state."""
    said, ready = said_of(name, bench, state, situation), shipped.ready(name)
    with mock.patch.object(ranking, "what_each_says", return_value=said):
        return look_ahead(ready, situation, encode(ready, situation))


def opened(bench: Bench, state: State) -> frozenset[str]:
    names = bench.problem.area_names
    return frozenset(name for a, name in enumerate(names) if state.open_areas >> a & 1)


@pytest.mark.parametrize("name", shipped.NAMES)
def test_the_advice_and_the_trials_choose_alike(name: str) -> None:
    rng = np.random.default_rng(7)
    for job in range(JOBS):
        complaints = list(shipped.ready(name).machine.complaints)
        problem = problem_of(name, complaints[job % len(complaints)])
        bench = Bench(problem)
        state, findings = bench.start, ()
        for _ in range(STEPS):
            situation = Situation(problem.complaint, findings, opened(bench, state))
            found = outlook_of(name, bench, state, situation)
            compare(bench, state, found)
            action = Gate().decide(bench, state)
            if action >= problem.n_tests or rng.random() < 0.3:  # leave the beaten track
                free = np.flatnonzero(~state.barred)
                action = int(rng.choice(free))
            chance, gain = np.empty(problem.tables.like.shape[1]), np.empty(problem.n_tests)
            kernels.survey(problem.tables, state.active, state.weight, chance, gain)
            start = problem.tables.start[action : action + 2]
            outcome = int(rng.choice(start[1] - start[0], p=chance[slice(*start)]))
            test = shipped.ready(name).machine.tests[problem.tests.names[action]]
            findings = (*findings, Finding(test.id, test.outcomes[outcome].id))
            after = bench.after_test(state, action, outcome)
            assert after is not None
            state = after


def compare(bench: Bench, state: State, found: Outlook) -> None:
    """The same numbers, the same ranking, the same choice; equal rates may change places."""
    problem, view = bench.problem, look(bench, state)
    number = {name: t for t, name in enumerate(problem.tests.names)}
    assert found.repair_minutes == pytest.approx(view.repair_minutes, abs=1e-9)
    assert found.first_repair == view.first_repair
    np.testing.assert_allclose(found.blame, view.blame, atol=1e-12)
    rates = rate_of(view)
    for one in found.candidates:
        t = number[one.test.id]
        assert one.minutes == pytest.approx(view.minutes[t])
        assert one.added_minutes == pytest.approx(view.added_minutes[t])
        assert one.bits_per_added_minute == pytest.approx(
            rates[t] if one.gain_bits else 0.0, rel=1e-9, abs=1e-12
        )
    worth = [one for one in found.candidates if found.worth_doing(one)]
    action = Gate().decide(bench, state)
    if not worth:
        first = found.first_repair
        assert action == (problem.escalate if first < 0 else problem.n_tests + first)
        return
    chosen = number[worth[0].test.id]
    assert action < problem.n_tests
    assert rates[chosen] == pytest.approx(rates[action], rel=1e-9)
    assert chosen in gate_ranking(bench, state, view)


def test_the_verdict_is_the_first_that_is_worth_doing() -> None:
    ready = shipped.ready("utility_vehicle")
    situation = Situation("silent")
    found = look_ahead(ready, situation, encode(ready, situation))
    worth = [one.test.id for one in found.candidates if found.worth_doing(one)]
    assert verdict(ready, situation, found).target == worth[0]
    rates = [one.bits_per_added_minute for one in found.candidates]
    assert rates == sorted(rates, reverse=True)
