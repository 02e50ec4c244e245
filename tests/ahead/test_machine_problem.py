"""The decision problems of the shipped machines against their compiled networks."""

from __future__ import annotations

import json
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.commands.program import run
from diagnose.commands.trial import _show
from diagnose.decision.ready_problems import ready_problems
from diagnose.errors import UnknownNameError, ValueOutOfRangeError
from diagnose.faults.outcomes import complaint_chances
from diagnose.trial.figures import difference
from diagnose.trial.run import run_trial, workshop_of
from diagnose.trial.simulate import simulate
from tests import shipped

if TYPE_CHECKING:
    from diagnose.decision.machine_problem import MachineProblems

NAME = "utility_vehicle"


@cache
def problems() -> MachineProblems:
    return ready_problems(shipped.behaviour(NAME).machine).held


def marginals(weights: np.ndarray) -> np.ndarray:
    faults = next(iter(problems().problems.values())).tables.faults_of
    n = len(shipped.behaviour(NAME).faults)
    spread = np.repeat(weights[:, None], faults.shape[1], axis=1)
    return np.bincount(faults[faults >= 0], spread[faults >= 0], n) / weights.sum()


def test_priors_are_those_of_the_file() -> None:
    # Every single fault's marginal, shared causes summed out; what is left over is that sets of
    # four and more faults are stood for by triples.
    found = marginals(problems().space.prior)
    np.testing.assert_allclose(found, shipped.behaviour(NAME).priors, rtol=0.25, atol=3e-3)


def test_beliefs_are_those_of_the_compiled_network() -> None:
    # Two ways to one posterior: a sum over fault sets, and the clique tree of `diagnose.inference`.
    ready, space = shipped.ready(NAME), problems().space
    problem = problems().problems["silent"]
    column = shipped.behaviour(NAME).column["silent"]
    weights = space.prior * complaint_chances(space.readings(column))[:, 0]
    evidence = {"silent": "yes"}
    for test, outcome in (("battery_rest", 0), ("listen_relay", 2), ("main_fuse_out_volts", 0)):
        number = problem.tests.names.index(test)
        weights = weights * problem.tables.like[:, problem.tables.start[number] + outcome]
        evidence[test] = ready.machine.tests[test].outcomes[outcome].id
        beliefs = ready.compiled.posterior(evidence)
        wanted = [beliefs[part][mode] for part, mode in ready.faults]
        np.testing.assert_allclose(marginals(weights), wanted, atol=0.03)


def test_every_row_is_a_distribution() -> None:
    for problem in problems().problems.values():
        tables = problem.tables
        sums = np.add.reduceat(tables.like, tables.start[:-1], axis=1)
        np.testing.assert_allclose(sums, 1.0, atol=1e-9)
        assert problem.prior.sum() == pytest.approx(1.0)
        assert (problem.repairs.bad.sum(axis=1) <= 0.005 + 1e-12).all()


def test_a_repair_takes_out_what_it_fixes_and_nothing_else() -> None:
    problem, sets = problems().problems["silent"], problems().space.sets
    for row in range(problem.n_repairs):
        for h in range(0, len(sets), 97):
            left = sets[problem.repairs.after[row, h]]
            assert left == tuple(f for f in sets[h] if not problem.repairs.fixes[row, f])
    joined = problem.repairs.joined
    for h, f in zip(*np.nonzero(joined[:200] >= 0), strict=True):
        assert sets[joined[h, f]] == tuple(sorted((*sets[h], int(f))))


def test_source_to_load_measures_the_battery_before_the_starter() -> None:
    # Common practice, no source: what can be seen first, then from the battery outwards.
    names = problems().problems["silent"].tests
    order = [names.names[test] for test in names.order]
    wanted = ["listen_relay", "battery_rest", "main_fuse_out_volts", "key_out_volts"]
    places = [order.index(name) for name in (*wanted, "trigger_volts")]
    assert places == sorted(places)


def test_the_gate_beats_measuring_along_the_wiring() -> None:
    policies = ("gate", "source_to_load")
    gate, along = (simulate(workshop_of(problems(), policy), 300, 1) for policy in policies)
    assert difference(gate, along).minutes.low > 0.0
    np.testing.assert_array_equal(gate["complaint"], along["complaint"])
    np.testing.assert_array_equal(gate["known_minutes"], along["known_minutes"])


def test_the_command_gives_what_the_function_gives(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["trial", NAME, "--policy", "gain", "--jobs", "60", "--seed", "4", "-c", "one_click"]
    assert run([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    result = run_trial(NAME, "gain", 60, 4, "one_click")
    assert found == result.to_dict()
    _show(result)
    assert f"{found['figures']['mean_minutes']['value']:.1f}" in capsys.readouterr().out


def test_bad_requests_are_named() -> None:
    with pytest.raises(UnknownNameError, match="policy"):
        run_trial(NAME, "gates", 10)
    with pytest.raises(UnknownNameError, match="complaint"):
        run_trial(NAME, "gate", 10, complaint="deaf")
    for jobs in (1, 10**9):
        with pytest.raises(ValueOutOfRangeError):
            run_trial(NAME, "gate", jobs)
