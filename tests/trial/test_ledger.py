"""What the books say of a job, by hand and against the solved circuit."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.ahead.play import Dice
from diagnose.ahead.policies import MOST_REPAIRS
from diagnose.decision.ready_problems import ready_problems
from diagnose.trial.ledger import Ledger, faulty, make_ledger, write_up
from diagnose.trial.run import machine_workshop
from diagnose.trial.simulate import Workshop, simulate
from diagnose.trial.small import small_problem
from tests import shipped

NAME = "compact_tractor"


def dice(hypothesis: int, n_tests: int = 0) -> Dice:
    none = np.full((MOST_REPAIRS + 1, 2), 0.999)
    return Dice(hypothesis, np.zeros((3, n_tests)), none)


def test_prices_and_good_parts_by_hand() -> None:
    # Fault 1 is there. Part 0 goes in good (8 minutes' worth), then part 1 (5): one good part.
    problem = small_problem(np.array([0.5, 0.5]), [], [], [10.0, 20.0])
    prices = {"fault_0.replace": 8.0, "fault_1.replace": 5.0}
    ledger = Ledger(prices, np.zeros((3, 2), dtype=bool))
    assert write_up(ledger, problem, dice(1), [0, 1]) == (13.0, 1)
    assert write_up(ledger, problem, dice(1), [1]) == (5.0, 0)
    assert write_up(ledger, problem, dice(1), [problem.escalate]) == (0.0, 0)
    assert write_up(None, problem, dice(1), [0, 1]) == (0.0, 1)
    # a part that was put right and goes in again is good by then
    assert write_up(ledger, problem, dice(1), [1, 1]) == (10.0, 1)


def test_a_blown_fuse_is_no_good_part_by_hand() -> None:
    problem = small_problem(np.array([0.5, 0.5]), [], [], [10.0, 20.0])
    blown = np.zeros((3, 2), dtype=bool)
    blown[1, 0] = True
    ledger = Ledger({"fault_0.replace": 1.0, "fault_1.replace": 5.0}, blown)
    assert write_up(ledger, problem, dice(1), [0, 0, 1]) == (7.0, 0)
    # after the short is mended nothing blows: the third fuse was good
    assert write_up(ledger, problem, dice(1), [0, 1, 0]) == (7.0, 1)


def test_fuses_blow_where_a_short_lies_behind_them() -> None:
    # ISO 8820-3: a blade fuse opens at 1.35 times its rating; a wire shorted to ground on a 12 V
    # battery carries hundreds of amperes. What only opens or resists a circuit blows nothing.
    ready = ready_problems(shipped.behaviour(NAME).machine)
    ledger = make_ledger(ready.behaviour, ready.space)
    parts = list(ready.machine.parts)
    fuses = [i for i, part in enumerate(parts) if ready.machine.parts[part].kind == "fuse"]
    assert not ledger.blown[:, [i for i in range(len(parts)) if i not in fuses]].any()
    shorted = 0
    for row, one in enumerate(ready.space.sets):
        modes = [ready.behaviour.faults[f] for f in one]
        if not any(mode in {"shorted", "coil_shorted"} for _, mode in modes):
            assert not ledger.blown[row].any()
        elif modes == [("trigger_wire", "shorted")]:
            shorted += 1
            assert [parts[i] for i in np.flatnonzero(ledger.blown[row])] == ["key_fuse"]
    assert shorted == 1


def test_labour_is_all_costs_without_the_price_of_parts() -> None:
    # The sum of the prices of what was fitted cannot be less than nothing, nor labour more than
    # all; without a ledger both are the same.
    machine = shipped.behaviour(NAME).machine
    workshop = machine_workshop(machine, "repair_only", "silent")
    rows = simulate(workshop, 120, 2)
    spent = rows["minutes"] - rows["labour_minutes"]
    assert (spent >= 0.0).all()
    assert spent.max() > 0.0
    plain = Workshop(workshop.problems, workshop.chances, "repair_only")
    bare = simulate(plain, 120, 2)
    np.testing.assert_array_equal(bare["labour_minutes"], bare["minutes"])
    np.testing.assert_array_equal(bare["minutes"], rows["minutes"])
    assert (rows["good_parts"] <= bare["good_parts"]).all()


def test_prices_are_the_machine_s_by_hand() -> None:
    # 60 minutes times price over the labour rate (EUR per hour).
    ready = ready_problems(shipped.behaviour(NAME).machine)
    ledger = make_ledger(ready.behaviour, ready.space)
    shop = ready.machine.shop
    for part in ready.machine.parts.values():
        for repair in part.repairs:
            wanted = 60.0 * repair.price_eur / shop.labour_eur_per_hour
            assert ledger.price_minutes[f"{part.id}.{repair.id}"] == pytest.approx(wanted)
    assert set(ledger.price_minutes) == set(ready.problem("dead").repairs.names)


def test_a_part_is_faulty_when_a_fault_of_its_own_is_there() -> None:
    problem = small_problem(np.array([0.5, 0.5]), [], [], [10.0, 20.0])
    assert [faulty(problem, 1, part) for part in (0, 1)] == [False, True]
    assert not faulty(problem, 2, 0)
