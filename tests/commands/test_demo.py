"""`diagnose demo`: an honest run of the main job."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.commands.run_demo import run_demo
from diagnose.commands.technician import Case, Technician, causes_behind, invent_case
from diagnose.export.roots import root_families
from diagnose.job import prepare

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.rule.prepared import Prepared
    from tests.commands.conftest import Ran


@pytest.fixture(scope="module")
def prepared(cart: str) -> Prepared:
    return prepare(cart)


def test_the_default_demo_ends_with_the_right_repair(call: Callable[..., Ran]) -> None:
    found = call("demo", "--json").json
    assert found["found"]
    assert found["advice"]["verdict"]["action"] == "done"
    assert found["steps"][-1]["repair"]["part"] == found["fault"]["part"]
    assert found["steps"][-1]["repair"]["check"] == "runs"
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


def test_most_invented_faults_are_found(prepared: Prepared) -> None:
    runs = [run_demo(prepared, seed) for seed in range(20)]
    right = [one.found or one.last.verdict.action == "escalate" for one in runs]
    assert sum(right) >= 14
    for one in runs:
        stretches = [(step.test.test, len(step.after.repairs)) for step in one.steps if step.test]
        assert len(stretches) == len(set(stretches))
        assert one.last.verdict.action in {"done", "escalate"}
        assert one.found or one.last.verdict.action == "escalate"


def test_invented_faults_follow_their_priors(prepared: Prepared) -> None:
    """Share of each part among the cases against prior times the chance of the complaint."""
    rng = np.random.default_rng(5)
    cases = [invent_case(prepared, rng) for _ in range(3_000)]
    weights: dict[str, float] = {}
    for number, (part, mode) in enumerate(prepared.faults):
        if part != "unlisted":
            prior = prepared.machine.parts[part].modes[mode].per_1000_jobs
            told = sum(float(share[number]) for share in prepared.explains.values())
            weights[part] = weights.get(part, 0.0) + prior * told
    total = sum(weights.values())
    for part, weight in weights.items():
        share = sum(one.part == part for one in cases) / len(cases)
        deviation = np.sqrt(weight / total / len(cases))
        assert abs(share - weight / total) < 5.0 * deviation + 1e-3, part


def test_a_cause_behind_a_fault_is_judged_by_bayes_rule(prepared: Prepared) -> None:
    """P(cause | that fault and no other), from the tables of the exported network's roots."""
    tables = {family.node: family for family in root_families(prepared.machine)}
    nest, raised = tables["rodent_nest"], ["lamp_wire", "relay_plug", "main_fuse"]
    assert all(tables[part].parents == (nest.node,) for part in raised)
    joint_good = nest.table * np.prod([tables[part].table[:, 0] for part in raised], axis=0)
    for part in raised:
        for number, mode in enumerate(prepared.machine.parts[part].modes):
            if mode != "ok":
                own = tables[part].table
                joint = joint_good / own[:, 0] * own[:, number]
                fault = prepared.faults.index((part, mode))
                got = causes_behind(prepared, fault)
                assert got[nest.node] == pytest.approx(joint[1] / joint.sum(), abs=1e-9)
                assert got["not_charging"] == 0.0
    failed = prepared.faults.index(("charger", "no_output"))
    assert causes_behind(prepared, failed)["not_charging"] == 1.0


def test_the_technician_reads_what_the_circuit_gives(prepared: Prepared) -> None:
    """A flat battery reads low at its posts; a blown fuse leaves the lamp behind it dark."""
    machine, rng = prepared.machine, np.random.default_rng(1)
    modes = machine.parts["battery"].modes
    flat = next(mode for mode in modes.values() if mode.emf_volts and mode.emf_volts < 12.0)
    tester = Technician.at(prepared, Case("silent", "battery", flat.id, frozenset()))
    volts = [tester.do(machine.tests["battery_rest"], rng) for _ in range(50)]
    numbers = [float(one) for one in volts if not isinstance(one, str)]
    assert np.mean(numbers) == pytest.approx(flat.emf_volts, abs=0.1)
    blown = Technician.at(prepared, Case("silent", "main_fuse", "open", frozenset()))
    seen = [blown.do(machine.tests["fuse_lamp"], rng) for _ in range(200)]
    assert seen.count("dark") > 190


def test_a_new_battery_puts_its_charge_right_too() -> None:
    # Common practice, no source: it comes charged.
    ready = prepare("utility_vehicle")
    rng = np.random.default_rng(1)
    case = Case("slow_crank", "charge", "quarter", frozenset())
    repair = next(r for r in ready.machine.parts["battery"].repairs if r.id == "replace")
    flat = Technician.at(ready, case)
    assert flat.repaired("battery", repair, rng)[1] == "runs"
    fuse = next(r for r in ready.machine.parts["main_fuse"].repairs if r.id == "replace")
    assert flat.repaired("main_fuse", fuse, rng)[1] == "slow_crank"
