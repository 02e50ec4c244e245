"""Expected cost of repair against its definition, summed in the open."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.job import prepare
from diagnose.machine.load import load_machine
from diagnose.rule.costs import RepairCosts, make_costs
from diagnose.rule.repair_kernels import best_ratio, repair_cost
from tests.rule.plain_repairs import NOTHING
from tests.rule.plain_repairs import plain_repairs as engine

if TYPE_CHECKING:
    from diagnose.machine.model import Machine
    from diagnose.rule.costs import Costs


def by_hand(
    order: tuple[int, ...], chances: list[float], minutes: list[float], waste: list[float]
) -> float:
    spent, left = 0.0, 1.0
    for i in order:
        spent += minutes[i] * left
        left -= chances[i]
        spent += waste[i] * max(left, 0.0)
    return spent


def test_two_parts_as_the_formula_says() -> None:
    # Heckerman, Breese & Rommelse 1995: ECR = c1 + (1 - p1) c2 + (1 - p1 - p2) c_service, the
    # parts in the order of p / c. Here 0.6/10 beats 0.3/20.
    cost, first = engine([0.6, 0.3], [10.0, 20.0], 100.0)
    assert cost == pytest.approx(10 + 0.4 * 20 + 0.1 * 100)
    assert first == 0


def test_cheap_and_unlikely_goes_before_dear_and_likely_when_its_ratio_is_higher() -> None:
    cost, first = engine([0.7, 0.3], [70.0, 5.0], 1000.0)
    assert first == 1
    assert cost == pytest.approx(5 + 0.7 * 70)


def test_hands_over_where_going_on_costs_more() -> None:
    # Who gets it pays the work as well: 30 + 0.05 * 60 + 0.05 * 60.
    cost, first = engine([0.05, 0.05], [60.0, 60.0], 30.0)
    assert (cost, first) == (pytest.approx(36.0), -1)


def test_a_proven_repair_is_done_however_dear_it_is() -> None:
    # By hand: 300 minutes of labour and price are spent here or elsewhere; handing over only adds
    # its own 180. With a chance of 0.5 it is 300 + 0.5 * 180 = 390 against 180 + 150 = 330.
    assert engine([1.0], [300.0], 180.0) == (pytest.approx(300.0), 0)
    assert engine([0.5], [300.0], 180.0) == (pytest.approx(330.0), -1)
    # what nobody lists is handed over for its own minutes alone
    assert engine([0.0], [300.0], 180.0) == (pytest.approx(180.0), -1)


def test_who_it_is_handed_over_to_does_what_is_left_of_the_list() -> None:
    # By hand: 10 minutes end it with 0.6; then it is handed over, and the second repair of 90
    # minutes is done there with 0.2: 10 + 0.4 * 40 + 0.2 * 90. Going on would take 90 minutes with
    # 0.4 and hand over what is left with 0.2: 10 + 0.4 * 90 + 0.2 * 40.
    cost, first = engine([0.6, 0.2], [10.0, 90.0], 40.0)
    assert (cost, first) == (pytest.approx(10 + 0.4 * 40 + 0.2 * 90), 0)
    assert cost < 10 + 0.4 * 90 + 0.2 * 40


def test_a_machine_in_order_runs_after_the_first_repair_or_is_given_back() -> None:
    # By hand, with nothing wrong in 4 jobs of 10 and a fault of 10 minutes in the others: the
    # repair is done in all of them, 10 minutes. With a fault of 60 minutes in 1 job of 10 it is
    # given back in 9 of them and handed over in one, 30 + 60 minutes.
    assert engine([0.6], [10.0], 100.0, in_order=0.4) == (pytest.approx(10.0), 0)
    assert engine([0.1], [60.0], 30.0, in_order=0.9) == (pytest.approx(0.1 * 90.0), -1)


def test_what_runs_all_the_same_after_a_repair_comes_back() -> None:
    # By hand, 0.6 and 0.3 and 0.1 that is not listed. After the first repair, 10 minutes, half of
    # the second fault is taken for mended: 0.15 comes back for 100, and 20 there. The other half is
    # mended here, 20 minutes with 0.15 + 0.1; what is left is handed over.
    cost, first = engine([0.6, 0.3], [10.0, 20.0], 100.0, hides=[0.0, 0.5])
    assert (cost, first) == (pytest.approx(10 + 0.15 * 120 + 0.25 * 20 + 0.1 * 100), 0)
    # Where all are as loose, a list of guesses ends with the first that seems to have helped:
    # 10, a quarter each of the other three back for 110, then 10 with 0.375 and so on.
    cost, first = engine([0.25] * 4, [10.0] * 4, 100.0, hides=[0.5] * 4)
    left, wanted = 0.75, 10.0
    for others in (2, 1, 0):
        wanted += left / 2 * 110.0
        left /= 2
        wanted += left * 10.0
        left *= others / (others + 1)
    assert (cost, first) == (pytest.approx(wanted), 0)
    assert cost > 2 * engine([0.25] * 4, [10.0] * 4, 100.0)[0]


def test_the_best_chance_per_minute_by_hand() -> None:
    # A billionth a minute and less is rounding; of equals the first by number, in any order.
    listed, minutes = np.array([2, 0, 1], dtype=np.int32), np.array([2.0, 4.0, 8.0])
    assert best_ratio(listed, np.array([0.1, 0.3, 0.5]), minutes) == 1
    assert best_ratio(listed, np.array([0.1, 0.2, 0.4]), minutes) == 0
    assert best_ratio(listed[::-1], np.array([0.1, 0.2, 0.4]), minutes) == 0
    assert best_ratio(listed, np.array([0.0, 0.0, 0.9e-9 * 8.0]), minutes) == -1
    assert best_ratio(listed, np.array([0.0, 0.0, 1.1e-9 * 8.0]), minutes) == 2
    assert best_ratio(listed[:0], np.zeros(3), minutes) == -1


def test_a_fault_that_several_repairs_put_right_counts_once() -> None:
    # All three fix the first mode, each one more. By chance per minute: 0.7 / 10, then 0.2 / 10,
    # then 0.1 / 10; the first mode is struck from the others when the first is done, and only then.
    # 10 + 10 * 0.3 + 10 * 0.1 minutes; by hand.
    fixes = np.array([[1, 1, 0, 0], [1, 0, 1, 0], [1, 0, 0, 1]], dtype=np.int8)
    cost, first = engine([0.4, 0.3, 0.2, 0.1], [10.0, 10.0, 10.0], 500.0, fixes)
    assert (cost, first) == (pytest.approx(14.0), 0)


def test_a_mode_fixed_once_does_not_count_again() -> None:
    # Cleaning fixes the first mode, replacing fixes both: after cleaning, replacing is worth 0.4.
    fixes = np.array([[1, 0], [1, 1]], dtype=np.int8)
    cost, first = engine([0.5, 0.4], [2.0, 30.0], 500.0, fixes)
    assert first == 0
    assert cost == pytest.approx(2 + 0.5 * 30 + 0.1 * 500)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(st.floats(0.01, 1.0), st.floats(1.0, 60.0), st.sampled_from([0.0, 30.0])),
        min_size=1,
        max_size=5,
    ),
    st.floats(50.0, 500.0),
)
def test_no_order_and_no_stop_is_cheaper(
    parts: list[tuple[float, float, float]], hand_over: float
) -> None:
    # What is not done here is done elsewhere, so stopping saves nobody the work.
    total = max(sum(p for p, _, _ in parts), 1.0)
    chances = [p / total for p, _, _ in parts]
    minutes, waste = [c for _, c, _ in parts], [w for _, _, w in parts]
    cost, _ = engine(chances, minutes, hand_over, waste=waste)
    best = hand_over + sum(p * c for p, c in zip(chances, minutes, strict=True))
    for length in range(1, len(parts) + 1):
        for order in itertools.permutations(range(len(parts)), length):
            left = max(1.0 - sum(chances[i] for i in order), 0.0)
            rest = sum(chances[i] * minutes[i] for i in range(len(parts)) if i not in order)
            best = min(best, by_hand(order, chances, minutes, waste) + left * hand_over + rest)
    assert cost == pytest.approx(best, rel=1e-9)


def test_a_good_part_spared_is_worth_its_minutes() -> None:
    # ECR with 30 minutes for every new part that was not needed:
    # 10 + 30 (1 - 0.6), then 0.4 * 20, then 0.1 * 100. The second repair fits no new part.
    cost, first = engine([0.6, 0.3], [10.0, 20.0], 100.0, waste=[30.0, 0.0])
    assert cost == pytest.approx(10 + 0.4 * 30 + 0.4 * 20 + 0.1 * 100)
    assert first == 0


def test_no_new_part_goes_in_on_a_small_chance_when_sparing_it_is_worth_more() -> None:
    assert engine([0.2], [10.0], 60.0)[1] == 0
    assert engine([0.2], [10.0], 60.0, waste=[30.0])[1] == -1


def with_areas(area_minutes: list[float], parent: list[int], repair_area: list[int]) -> Costs:
    """Two repairs of 10 minutes with a check of 2, each for its own fault."""
    return make_costs(
        NOTHING,
        RepairCosts(
            names=("a", "b"),
            minutes=np.array([10.0, 10.0]),
            area=np.array(repair_area),
            fixes=np.eye(2, dtype=np.int8),
            new_part=np.array([True, False]),
        ),
        tuple(f"area_{place}" for place in range(len(area_minutes))),
        np.array(area_minutes),
        parent,
        check_minutes=2.0,
        hand_over_minutes=500.0,
        good_part_minutes=30.0,
    )


def test_an_area_that_an_earlier_repair_has_opened_stays_open() -> None:
    # By hand: both lie in the inner of two nested areas of 5 and 3 minutes. The first repair pays
    # 8 + 12, the second only 12; one new part, of which sparing a good one is worth 30.
    costs = with_areas([5.0, 3.0], [-1, 0], [1, 1])
    # Elsewhere everything is opened anew: 500 and 20 for either, whatever stands open here.
    found = repair_cost(costs.tables, np.array([0.3, 0.7]), 1.0, 0.0, 0, 500.0, np.zeros(2))
    # 0.7 / 20 beats 0.3 / (20 + 30)
    assert found == (pytest.approx(20.0 + 0.3 * 12.0), 1, pytest.approx(520.0))
    both_open = repair_cost(costs.tables, np.array([0.3, 0.7]), 1.0, 0.0, 0b11, 500.0, np.zeros(2))
    assert both_open == (pytest.approx(12.0 + 0.3 * 12.0), 1, pytest.approx(520.0))


def test_what_is_open_is_told_area_by_area_by_hand() -> None:
    costs = with_areas([5.0, 3.0], [-1, 0], [1, -1])
    assert costs.at(0).repair_minutes.tolist() == [20.0, 12.0]
    assert costs.at(0b01).repair_minutes.tolist() == [15.0, 12.0]
    assert costs.at(0b11).repair_minutes.tolist() == [12.0, 12.0]
    assert costs.at(0).repair_opens.tolist() == [0b11, 0]
    np.testing.assert_array_equal(costs.fault_way, [[1.0, 1.0], [0.0, 0.0]])


@pytest.mark.parametrize("name", ["utility_vehicle", "standby_pump"])
def test_the_costs_of_a_machine_are_those_of_its_file(name: str) -> None:
    # Minutes of labour, the price at the labour rate (60 price / EUR per hour), the check, and
    # what has to be opened, area by area as the file nests them. Handing over adds the cheapest
    # repair of each fault; a good part spared is worth 30 minutes, and a fuse is none.
    machine = load_machine(name)
    ready = prepare(name)
    access, least = ready.costs.at(0), dict[tuple[str, str], float]()
    for row, full in enumerate(ready.costs.repairs.names):
        part, _, own = full.partition(".")
        repair = next(one for one in machine.parts[part].repairs if one.id == own)
        wanted = repair.minutes + 60.0 * repair.price_eur / machine.shop.labour_eur_per_hour
        wanted += machine.shop.check_minutes + opening(machine, machine.parts[part].area)
        assert access.repair_minutes[row] == pytest.approx(wanted)
        mended = {(part, mode) for mode in repair.fixes}
        mended |= {(other, mode) for other, modes in repair.also.items() for mode in modes}
        row_of = ready.costs.repairs.fixes[row]
        assert {ready.faults[fault] for fault in np.flatnonzero(row_of)} == mended & {*ready.faults}
        spared = own == "replace" and machine.parts[part].kind != "fuse"
        assert ready.costs.tables.repair_waste[row] == 30.0 * spared
        for fault in mended & {*ready.faults}:
            least[fault] = min(wanted, least.get(fault, wanted))
    for number, fault in enumerate(ready.faults):
        assert ready.costs.tables.fault_minutes[number] == pytest.approx(least.get(fault, 0.0))
    for row, test in enumerate(machine.tests.values()):
        assert access.test_minutes[row] == pytest.approx(test.minutes + opening(machine, test.area))


def opening(machine: Machine, area: str | None) -> float:
    if area is None:
        return 0.0
    own = machine.areas[area]
    return own.open_minutes + own.close_minutes + opening(machine, own.inside)
