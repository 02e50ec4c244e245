"""The belief of a situation: against the compiled network, a two-epoch network, and by hand."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest
from pgmpy.inference import VariableElimination

from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation, encode
from diagnose.ahead import kernels
from diagnose.decision.belief import belief_of, move
from diagnose.decision.ready_problems import ready_problems
from diagnose.errors import ClashError, UnknownNameError
from diagnose.job import Job
from diagnose.machine.load import load_machine
from diagnose.faults.outcomes import complaint_chances, outcome_chances
from tests import shipped
from tests.commands.carts import CART, CLASH, put_certain_cart
from tests.decision import two_epochs

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.decision.ready_problems import ReadyProblems

FINDINGS = (
    Finding("battery_rest", "good", 12.5),
    Finding("listen_pump", "runs", sure=0.7),
    Finding("listen_relay", "silent"),
)
CASES = list(itertools.product((0, 1), repeat=2))


def cart() -> ReadyProblems:
    return ready_problems(load_machine(CART))


def of_faults(ready: ReadyProblems, weights: np.ndarray) -> np.ndarray:
    found = np.zeros(len(ready.behaviour.faults))
    for one, weight in zip(ready.space.sets, weights, strict=True):
        for fault in one:
            found[fault] += weight
    return found


@pytest.mark.parametrize("celsius", [20.0, -12.0])
@pytest.mark.parametrize("count", range(4))
def test_before_any_repair_it_is_that_of_the_network(count: int, celsius: float) -> None:
    # Two ways to one posterior: a sum over fault sets, and the clique tree of
    # `diagnose.inference`. What sets of four faults hold, and what the network sums up where
    # several readings share a state, is the tolerance.
    situation = Situation("silent", FINDINGS[:count], temperature_celsius=celsius)
    ready = shipped.ready("utility_vehicle")
    weights = belief_of(ready_problems(ready.machine), situation)
    beliefs = ready.compiled.beliefs(encode(ready, situation))
    wanted = np.array([beliefs[part][mode] for part, mode in ready.faults])
    found = of_faults(ready_problems(ready.machine), weights)
    np.testing.assert_allclose(found, wanted, atol=0.02)


@pytest.mark.parametrize(("first", "second"), CASES)
def test_a_move_against_a_two_epoch_network(first: int, second: int) -> None:
    # Breese & Heckerman 1996, solved by pgmpy's variable elimination; see `two_epochs`.
    problem = two_epochs.problem()
    weights = problem.prior * problem.tables.like[:, first]
    weights = move(problem, weights, 0) * problem.same * problem.tables.like[:, second]
    seen = {"complaint": 0, "lamp": first, "check": 0, "lamp_new": second}
    engine = VariableElimination(two_epochs.network())
    wanted = engine.query(["fuse_new", "wire"], evidence=seen, show_progress=False)
    axes = [wanted.variables.index(name) for name in ("fuse_new", "wire")]
    values = np.transpose(wanted.values, axes).ravel()
    np.testing.assert_allclose(weights / weights.sum(), values, atol=1e-9)


@pytest.mark.parametrize("repair", range(0, 20, 3))
def test_a_move_is_what_the_kernel_does(repair: int) -> None:
    problem = cart().problem("silent")
    repair %= problem.n_repairs
    active = np.flatnonzero(problem.prior > 0.0).astype(np.int32)
    table = problem.repairs
    after, weight, chance = kernels.after_repair(
        table.after[repair],
        table.bad[repair],
        table.joined,
        problem.same,
        active,
        problem.prior[active],
        0.0,
    )
    weights = move(problem, problem.prior, repair)
    assert weights.sum() == pytest.approx(1.0)
    assert (weights * problem.same).sum() == pytest.approx(chance)
    np.testing.assert_allclose((weights * problem.same)[after] / chance, weight, atol=1e-12)


def by_hand(ready: ReadyProblems, situation: Situation) -> dict[frozenset[int], float]:
    """Plain recursion: for every fault set and every way a repair can end, one product."""
    machine, behaviour = ready.machine, ready.behaviour
    complaint = behaviour.column[situation.complaint]
    row = {frozenset(one): n for n, one in enumerate(ready.space.sets)}

    def reads(faults: frozenset[int], column: int) -> np.ndarray:
        return ready.space.readings(column)[row[faults]]

    def seen(faults: frozenset[int], findings: tuple[Finding, ...]) -> float:
        chance = 1.0
        for one in findings:
            test = machine.tests[one.test]
            column = behaviour.column[test.id if test.id in behaviour.column else test.function]
            place = [outcome.id for outcome in test.outcomes].index(one.outcome)
            chance *= float(outcome_chances(test, reads(faults, column))[place])
        return chance

    def ways(faults: frozenset[int], done: RepairDone) -> list[tuple[frozenset[int], float]]:
        part = machine.parts[done.part]
        repair = next(one for one in part.repairs if one.id == done.repair)
        own = [f for f, (name, _) in enumerate(behaviour.faults) if name == part.id]
        left = frozenset(f for f in faults if behaviour.faults[f] not in _fixed(part.id, repair))
        bad = machine.shop.new_part_bad_per_1000 / 1000.0 if repair.id == "replace" else 0.0
        new = {f: bad * behaviour.priors[f] / behaviour.priors[own].sum() for f in own}
        found = [(left | {f}, p) for f, p in new.items() if left | {f} in row and p > 0.0]
        return [*found, (left, 1.0 - sum(p for _, p in found))]

    def shows(faults: frozenset[int]) -> float:
        return 0.005 + 0.99 * (1.0 - reads(faults, complaint).mean())

    now = {
        faults: float(ready.space.prior[n] * complaint_chances(reads(faults, complaint))[0])
        for faults, n in row.items()
    }
    for epoch in situation.past:
        later: dict[frozenset[int], float] = {}
        for faults, weight in now.items():
            known = weight * seen(faults, epoch.findings)
            for after, chance in ways(faults, epoch.repair):
                check = {True: 1.0 - shows(after), False: shows(after), None: 1.0}
                share = known * chance * check[epoch.repair.gone]
                later[after] = later.get(after, 0.0) + share
        now = later
    now = {faults: weight * seen(faults, situation.findings) for faults, weight in now.items()}
    total = sum(now.values())
    return {faults: weight / total for faults, weight in now.items()}


def _fixed(part: str, repair: object) -> set[tuple[str, str]]:
    return {(part, mode) for mode in repair.fixes}  # type: ignore[attr-defined]


@pytest.mark.parametrize("gone", [True, False, None])
def test_epochs_by_hand(gone: bool | None) -> None:
    # Every product written out, fault set by fault set; nothing of `diagnose.decision` but the
    # list of sets and their readings.
    ready = cart()
    names = ready.problem("silent").repairs.names
    first, second = (name.split(".") for name in (names[0], names[-1]))
    volts = Finding("coil_volts", "full")
    past = (
        Epoch((volts,), RepairDone(first[0], first[1], gone=gone)),
        Epoch((), RepairDone(second[0], second[1], gone=False)),
    )
    situation = Situation("silent", (Finding("coil_volts", "none"),), past=past)
    wanted = by_hand(ready, situation)
    found = belief_of(ready, situation)
    rows = [wanted.get(frozenset(one), 0.0) for one in ready.space.sets]
    np.testing.assert_allclose(found, rows, atol=1e-12)
    assert found.sum() == pytest.approx(1.0)


@pytest.mark.parametrize("gone", [True, False, None])
def test_across_repairs_it_is_that_of_the_network_over_all_epochs(gone: bool | None) -> None:
    # Two ways again: moved weights, and the clique tree over the lives of the repaired parts.
    job = Job.open(CART, "silent").record("battery_rest", 12.6).record("fuse_lamp", "bright")
    job = job.repair("start_relay", "replace", gone=False).record("coil_volts", "none")
    job = job.repair("main_fuse", "replace", gone=gone)
    ready = cart()
    found = of_faults(ready, belief_of(ready, job.situation))
    told = {(one.part, one.mode): one.probability for one in job.advise().suspects}
    wanted = [told[fault] for fault in ready.behaviour.faults]
    np.testing.assert_allclose(found, wanted, atol=0.02)


def test_a_repair_that_ends_it_clears_what_lies_in_the_same_path() -> None:
    # Common practice, no source: it cranks now, so all that is in the path works.
    ready = shipped.ready("utility_vehicle")
    problems = ready_problems(ready.machine)
    done = RepairDone("ignition_fuse", "replace", gone=True)
    before = of_faults(problems, belief_of(problems, Situation("silent")))
    after = of_faults(problems, belief_of(problems, Situation("silent", past=(Epoch((), done),))))
    fault = problems.behaviour.faults.index(("stop_switch", "open"))
    assert before[fault] > 0.03
    assert after[fault] < 0.005


def test_findings_that_cannot_be_name_a_smallest_set(tmp_path: Path) -> None:
    ready = ready_problems(load_machine(put_certain_cart(tmp_path)))
    other = Finding("battery_rest", "charged")
    findings = (other, *(Finding(test, outcome) for test, outcome in CLASH.items()))
    with pytest.raises(ClashError) as caught:
        belief_of(ready, Situation("silent", findings))
    assert set(caught.value.findings) == set(CLASH.items())


def test_a_repair_that_there_is_not_is_named() -> None:
    past = (Epoch((), RepairDone("start_relay", "paint")),)
    with pytest.raises(UnknownNameError, match="paint"):
        belief_of(cart(), Situation("silent", past=past))
