"""`diagnose demo`: an honest run of the main job."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.commands.run_demo import run_demo
from diagnose.commands.technician import Case, Technician, invent_case
from diagnose.job import prepare
from diagnose.review.table import cause_behind

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.network.ready import ReadyMachine
    from tests.commands.conftest import Ran


@pytest.fixture(scope="module")
def ready(cart: str) -> ReadyMachine:
    return prepare(cart)


def test_the_default_demo_ends_with_the_right_repair(call: Callable[..., Ran]) -> None:
    found = call("demo", "--json").json
    assert found["found"]
    assert found["advice"]["verdict"]["action"] == "done"
    assert found["steps"][-1]["repair"]["part"] == found["fault"]["part"]
    assert found["steps"][-1]["repair"]["gone"]
    tests = [step for step in found["steps"] if "test" in step]
    assert [step["finding"]["test"] for step in tests] == [step["test"] for step in tests]
    assert found["minutes"] == pytest.approx(sum(s["minutes"] for s in found["steps"]))


def test_it_shows_every_test_its_finding_and_the_truth(call: Callable[..., Ran], cart: str) -> None:
    told = call("demo", "--machine", cart, "--seed", "3", "--json").json
    shown = " ".join(call("demo", "--machine", cart, "--seed", "3").out.split())
    machine = prepare(cart).machine
    for number, step in enumerate(told["steps"], 1):
        title = step["repair"]["title"] if "repair" in step else machine.tests[step["test"]].title
        assert f"{number}. {'Repair' if 'repair' in step else 'Test'}: " in shown
        assert title in shown
    fault = machine.parts[told["fault"]["part"]]
    assert f"{fault.title}: {fault.modes[told['fault']['mode']].title}. " in shown
    assert ("Not found" in shown) != told["found"]


def test_a_seed_is_a_job(call: Callable[..., Ran], cart: str) -> None:
    def faults(seed: int) -> str:
        return call("demo", "--machine", cart, "--seed", str(seed), "--json").out

    assert faults(1) == faults(1)
    assert len({faults(seed) for seed in range(6)}) > 1


def test_most_invented_faults_are_found(ready: ReadyMachine) -> None:
    runs = [run_demo(ready, seed) for seed in range(20)]
    right = [one.found or one.last.verdict.action == "escalate" for one in runs]
    assert sum(right) >= 14
    for one in runs:
        stretches = [(step.test.test, len(step.after.repairs)) for step in one.steps if step.test]
        assert len(stretches) == len(set(stretches))
        assert one.last.verdict.action in {"done", "escalate"}
        assert one.found or one.last.verdict.action == "escalate"


def test_invented_faults_follow_their_priors(ready: ReadyMachine) -> None:
    """Share of each part among the cases against prior times the chance of the complaint."""
    rng = np.random.default_rng(5)
    cases = [invent_case(ready, rng) for _ in range(3_000)]
    weights: dict[str, float] = {}
    for number, (part, mode) in enumerate(ready.faults):
        if part != "unlisted":
            prior = ready.machine.parts[part].modes[mode].per_1000_jobs
            told = sum(float(ready.explains[one][number]) for one in ready.machine.complaints)
            weights[part] = weights.get(part, 0.0) + prior * told
    total = sum(weights.values())
    for part, weight in weights.items():
        share = sum(one.part == part for one in cases) / len(cases)
        deviation = np.sqrt(weight / total / len(cases))
        assert abs(share - weight / total) < 5.0 * deviation + 1e-3, part


def test_a_cause_behind_a_fault_is_judged_by_bayes_rule(ready: ReadyMachine) -> None:
    """Against the compiled network: P(cause | fault) with nothing else known."""
    machine = ready.machine
    causes = [one for one in machine.shared_causes.values() if one.part is None]
    compared = 0
    for part in machine.parts.values():
        behind = [one for one in causes if any(r.part == part.id for r in one.raises)]
        if len(behind) == 1:
            for mode in part.modes:
                if mode != "ok":
                    wanted = ready.compiled.posterior({part.id: mode})[behind[0].id]["present"]
                    got = cause_behind(machine, behind[0], part.id, mode)
                    assert got == pytest.approx(wanted, abs=1e-9)
                    compared += 1
    assert compared > 0


def test_the_technician_reads_what_the_circuit_gives(ready: ReadyMachine) -> None:
    """A flat battery reads low at its posts; a blown fuse leaves the lamp behind it dark."""
    machine, rng = ready.machine, np.random.default_rng(1)
    modes = machine.parts["battery"].modes
    flat = next(mode for mode in modes.values() if mode.emf_volts and mode.emf_volts < 12.0)
    tester = Technician.at(machine, Case("silent", "battery", flat.id, frozenset()))
    volts = [tester.do(machine.tests["battery_rest"], rng) for _ in range(50)]
    numbers = [float(one) for one in volts if not isinstance(one, str)]
    assert np.mean(numbers) == pytest.approx(flat.emf_volts, abs=0.1)
    blown = Technician.at(machine, Case("silent", "main_fuse", "open", frozenset()))
    seen = [blown.do(machine.tests["fuse_lamp"], rng) for _ in range(200)]
    assert seen.count("dark") > 190
