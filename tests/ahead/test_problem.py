"""The closed problem that a belief poses, against the belief and against the machine file."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from diagnose.ahead.desk import Desk
from diagnose.ahead.problem import DecisionProblem, without
from diagnose.ahead.world import KnownMinutes, ProblemWorld
from diagnose.belief.situation import Finding, Situation
from diagnose.job import prepare
from diagnose.trial.shop import Shop, Truth
from tests.trial.small import small_problem

NAME = "utility_vehicle"
SITUATION = Situation("silent", (Finding("try_it", "silent"), Finding("listen_relay", "silent")))
HELD = 400
"""As few as looking further ever holds."""


@cache
def desk() -> Desk:
    return Desk(prepare(NAME), SITUATION)


@cache
def problem() -> DecisionProblem:
    return desk().thinned(desk().start, HELD).problem


def sets_of(of: DecisionProblem) -> list[tuple[int, ...]]:
    return [tuple(f for f in row if f < of.n_faults) for row in of.tables.members.tolist()]


def test_it_is_the_belief_told_by_fewer_sets() -> None:
    # Thinning changes no expectation but by the draw of the light sets. Some 300 are drawn here, of
    # 0.0006 each, so a chance is off by 0.0006 * sqrt(300) / 2 = 0.005 at most as a standard error.
    belief, of = desk().belief(desk().start), problem()
    assert of.tables.same is not None
    assert len(set(of.tables.same[of.prior > 0.0].tolist())) <= HELD < len(belief.weight)
    assert of.prior.sum() == pytest.approx(1.0)
    heavy = dict(zip(map(tuple, belief.members.tolist()), belief.weight.tolist(), strict=True))
    width = belief.members.shape[1]
    for faults, share in list(zip(sets_of(of), of.prior.tolist(), strict=True))[:30]:
        row = (*faults, *[of.n_faults] * (width - len(faults)))
        assert share == pytest.approx(heavy[row], rel=0.1)
    start = desk().thinned(desk().start, HELD)
    known = start.outlook(start.start).survey
    np.testing.assert_allclose(known.faults, belief.survey.faults, atol=0.01)
    np.testing.assert_allclose(known.chance, belief.survey.chance, atol=0.01)


def test_every_row_is_a_distribution() -> None:
    tables = problem().tables
    sums = np.add.reduceat(tables.like, tables.start[:-1], axis=1)
    np.testing.assert_allclose(sums, 1.0, atol=1e-9)
    assert (problem().bad.sum(axis=1) <= 0.005 + 1e-12).all()


def test_a_repair_takes_out_what_it_fixes_and_nothing_else() -> None:
    of, ready = problem(), prepare(NAME)
    sets, names = sets_of(of), of.costs.repairs.names
    assert () in sets
    for row, name in enumerate(names):
        part, _, own = name.partition(".")
        repair = next(one for one in ready.machine.parts[part].repairs if one.id == own)
        mended = {(part, mode) for mode in repair.fixes}
        mended |= {(other, mode) for other, modes in repair.also.items() for mode in modes}
        for place, faults in enumerate(sets):
            left = tuple(f for f in faults if ready.faults[f] not in mended)
            assert sets[of.after[row, place]] == left == without(of.costs, faults, row)
    for place, fault in zip(*np.nonzero(of.joined >= 0), strict=True):
        joined = tuple(sorted((*sets[place], int(fault))))
        assert sets[of.joined[place, fault]] == joined


def test_what_is_open_and_barred_stays_so() -> None:
    opened = Situation("silent", open_areas=frozenset({"seat"}), tools=frozenset({"none"}))
    bench = Desk(prepare(NAME), opened)
    start = bench.thinned(bench.start, 40).start
    assert start.standing.open_areas == bench.start.standing.open_areas != 0
    assert (start.standing.barred == bench.start.standing.barred).all()
    tests = prepare(NAME).machine.tests
    for row, name in enumerate(bench.costs.tests.names):
        if tests[name].tool != "none":
            assert start.standing.barred[row]


def test_what_one_would_need_knowing_by_hand() -> None:
    # Nested areas 3 inside 5: 3 + 5 + 20 + 2; a fault that no repair fixes is handed over.
    of = small_problem(
        np.array([0.5, 0.5]),
        [],
        [],
        [20.0],
        repair_area=[1],
        area_minutes=(5.0, 3.0),
        area_parent=(-1, 0),
        hand_over_minutes=99.0,
    )
    known = KnownMinutes(ProblemWorld(of))
    assert known(0) == pytest.approx(30.0)
    assert known(0, 0b01) == pytest.approx(25.0)
    assert known(1) == pytest.approx(99.0)


def test_two_faults_known_cost_what_both_repairs_do() -> None:
    # By hand over every order of the repairs that change something: minutes of each with what is
    # open by then, until the check would more likely show that it runs; the least of them, or
    # handing over, which pays the cheapest repair of each fault on top, with everything opened.
    ready = prepare(NAME)
    shop, costs = Shop(ready, "silent"), ready.costs
    known = KnownMinutes(shop)
    one = ready.faults.index(("main_fuse", "open"))
    two = ready.faults.index(("start_relay", "coil_open"))
    elsewhere = {
        fault: min(
            float(costs.at(0).repair_minutes[repair])
            for repair in range(costs.n_repairs)
            if costs.repairs.fixes[repair, fault]
        )
        for fault in (one, two)
    }

    def stops(left: tuple[int, ...]) -> bool:
        return shop.checks(Truth(left, 0))[0] <= 0.5

    for truth in ((one,), (two,), (min(one, two), max(one, two))):

        def least(faults: tuple[int, ...], opened: int, still: bool) -> float:
            if not still:
                return 0.0
            ways = [180.0 + sum(elsewhere[fault] for fault in faults)]
            access = costs.at(opened)
            for repair in range(costs.n_repairs):
                left = tuple(f for f in faults if not costs.repairs.fixes[repair, f])
                if left != faults:
                    rest = least(left, int(access.repair_opens[repair]), stops(left))
                    ways.append(float(access.repair_minutes[repair]) + rest)
            return min(ways)

        assert known(Truth(truth, 0)) == pytest.approx(least(truth, 0, still=True))
        assert shop.handed_over(Truth(truth, 0)) == pytest.approx(
            180.0 + sum(elsewhere[fault] for fault in truth)
        )
