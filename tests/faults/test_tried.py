"""What trying the machine shows, and what cannot be tested since it does not get that far.

Against a reading of the functions' levels by the machine file's own words: `says` of the
complaints, `works`, `needs` of the conditions. On the utility vehicle by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.faults.manners import APART, COMES_AND_GOES, TOUCHES
from diagnose.faults.outcomes import outcome_chances
from diagnose.faults.tried import (
    always_runs,
    check_results,
    check_shares,
    shown_chances,
    with_slips,
)
from tests.belief.by_levels import at_levels, tried_by_hand
from tests.faults.machines import NAMES, shipped, singles

VEHICLE, PUMP, MOWER = "utility_vehicle", "standby_pump", "zero_turn_mower"
TRIED = "(tried)"
CANNOT = -1e6


def shown(name: str, part: str, mode: str) -> list[str]:
    """What trying a machine with one fault shows, while a loose joint touches and while not."""
    known = shipped(name)
    row = known.faults.index((part, mode))
    results = check_results(known.machine, next(iter(known.machine.complaints)))
    return [results[int(k)] for k in singles(name)[row, known.behaviour.column[TRIED]]]


@pytest.mark.parametrize("name", NAMES)
def test_trying_under_every_single_fault(name: str) -> None:
    known, readings = shipped(name), singles(name)
    assert list(known.behaviour.names)[-1] == TRIED
    found = readings[:, known.behaviour.column[TRIED]]
    np.testing.assert_array_equal(found, tried_by_hand(known.behaviour, readings))
    assert (found[-1] == 0.0).all()  # the good machine runs
    assert len(np.unique(found)) >= 5


@pytest.mark.parametrize("name", NAMES)
def test_outcomes_of_trying_are_runs_complaints_in_their_order_and_other(name: str) -> None:
    machine = shipped(name).machine
    seen = [c.id for c in machine.complaints.values() if c.on_trying]
    tests = [test for test in machine.tests.values() if test.kind == "try"]
    assert len(tests) == 1
    assert [one.id for one in tests[0].outcomes] == ["runs", *seen, "other"]
    assert check_results(machine, seen[0]) == ("runs", *seen, "other")


@pytest.mark.parametrize(
    ("name", "fault", "wanted"),
    [
        (VEHICLE, ("main_fuse", "open"), ["dead", "dead"]),
        (VEHICLE, ("start_button", "open"), ["silent", "silent"]),
        (VEHICLE, ("starter_motor", "open"), ["one_click", "one_click"]),
        (VEHICLE, ("frame_ground", "resistive"), ["slow_crank", "slow_crank"]),
        (VEHICLE, ("fuel_pump", "dead"), ["cranks_no_start", "cranks_no_start"]),
        (VEHICLE, ("minus_post", "loose"), ["runs", "dead"]),
        (VEHICLE, ("unlisted", "one_click"), ["one_click", "one_click"]),
        # flat again after two days: it starts today, and nothing shows on trying
        (PUMP, ("unlisted", "flat_again"), ["runs", "runs"]),
        # turns well and lets no fuel in is a complaint; one that stops by itself another
        (PUMP, ("unlisted", "shuts_down"), ["shuts_down", "shuts_down"]),
        (MOWER, ("unlisted", "will_not_stop"), ["will_not_stop", "will_not_stop"]),
    ],
)
def test_what_a_fault_shows(name: str, fault: tuple[str, str], wanted: list[str]) -> None:
    """Common practice, no source."""
    assert shown(name, *fault) == wanted


def test_checks_by_hand() -> None:
    """Five in 1 000 are taken for any of the results: nine on the vehicle, as on the pump
    when it is about what does not show on trying. A loose joint comes and goes in half of the
    cases, as often there as not; else it stays as it is, three times touching for twice apart."""
    known = shipped(VEHICLE)
    rows = np.array([known.sets.now().row((known.faults.index(("minus_post", "loose")),))])
    chances = with_slips(check_shares(known.behaviour, known.sets.now(), "dead", rows))[0]
    results = check_results(known.machine, "dead")
    assert len(results) == 9
    slip = 0.005 / 9.0
    wanted = dict.fromkeys(results, slip)
    wanted["runs"], wanted["dead"] = 0.995 * 0.55 + slip, 0.995 * 0.45 + slip
    assert dict(zip(results, chances.tolist(), strict=True)) == pytest.approx(wanted)


def test_a_joint_that_touches_runs_and_is_not_in_order() -> None:
    known = shipped(VEHICLE)
    solved = known.sets.now()
    rows = np.array([solved.row((known.faults.index(("minus_post", "loose")),)), solved.row(())])
    touching = np.array([[0.0, 1.0, 0.0]] * 2)
    shares = check_shares(known.behaviour, solved, "dead", rows, touching)
    assert shares[:, 0].tolist() == [1.0, 1.0]
    assert always_runs(known.behaviour, solved, "dead", rows).tolist() == [False, True]


def test_what_does_not_show_on_trying_is_looked_for_by_who_was_told_of_it() -> None:
    known = shipped(PUMP)
    solved, results = known.sets.now(), check_results(known.machine, "flat_again")
    assert results[-2:] == ("other", "flat_again")
    row = solved.row((known.faults.index(("unlisted", "flat_again")),))
    rows, slip = np.array([row]), 0.005 / len(results)
    chances = with_slips(check_shares(known.behaviour, solved, "flat_again", rows))[0]
    wanted = dict.fromkeys(results, slip)
    wanted["flat_again"] = 0.995 + slip
    assert dict(zip(results, chances.tolist(), strict=True)) == pytest.approx(wanted)
    # asked about something else he does not see it
    silent = with_slips(check_shares(known.behaviour, solved, "silent", rows))[0]
    assert silent[0] == pytest.approx(0.995 + 0.005 / (len(results) - 1))
    # that it runs is two looks then: it runs, and it is not flat again
    both = [
        float(chance[COMES_AND_GOES, solved.place[row, column]])
        for column, chance in shown_chances(known.behaviour, solved, "flat_again", "runs")
    ]
    assert both == pytest.approx([0.995 + slip, 1.0 - (0.995 + slip)])


def test_a_complaint_is_shown_wherever_it_fits_whatever_else_fits() -> None:
    """A vehicle that neither lights nor clicks nor turns: `dead` says most, and is tried so. Where
    two complaints fit, who looks for either sees it; half of the time under a loose joint that
    comes and goes, always or never under one that stays as it is."""
    known = shipped(VEHICLE)
    solved, slip = known.sets.now(), 0.005 / 9.0
    for fault, share in ((("main_fuse", "open"), 1.0), (("minus_post", "loose"), 0.5)):
        row = solved.row((known.faults.index(fault),))
        for complaint in known.machine.complaints.values():
            fits = at_levels(known.behaviour, solved_readings(row), complaint.says).mean()
            ((column, chance),) = shown_chances(known.behaviour, solved, "silent", complaint.id)
            here = chance[:, solved.place[row, column]]
            assert here[COMES_AND_GOES] == pytest.approx(0.995 * fits + slip)
            assert fits == (share if complaint.id == "dead" else 0.0)
            stays = [slip, 0.995 + slip] if 0.0 < share * fits < 1.0 else [0.995 * fits + slip] * 2
            assert here[[TOUCHES, APART]] == pytest.approx(stays)


def solved_readings(row: int) -> np.ndarray:
    """(1, observables, 2) of one solved set of the vehicle."""
    solved = shipped(VEHICLE).sets.now()
    columns = range(solved.place.shape[1])
    return np.stack([solved.readings(column, np.array([row])) for column in columns], axis=1)


@pytest.mark.parametrize("name", NAMES)
def test_what_cannot_be_tested_under_every_single_fault(name: str) -> None:
    """Exactly where the machine does not do what the condition needs."""
    known, readings, some = shipped(name), singles(name), 0
    for test in known.machine.tests.values():
        needs = known.machine.conditions[test.condition].needs if test.condition else {}
        names = [outcome.id for outcome in test.outcomes]
        in_circuit = test.function is not None or test.kind not in ("look", "wiggle", "try")
        assert ("not_possible" in names) == bool(needs and in_circuit), test.id
        if test.cause is not None or not in_circuit:
            continue
        values = readings[:, known.behaviour.column_of(test)]
        possible = at_levels(known.behaviour, readings, needs)
        np.testing.assert_array_equal(values != CANNOT, possible, err_msg=test.id)
        some += int(bool(needs) and (~possible).any())
    assert some


def test_not_possible_by_hand() -> None:
    """Charging volts are read with the engine running. Good: 13.7 V; main fuse open: it does
    not run; minus post loose: it runs now and then, which is seen half of the time."""
    known = shipped(VEHICLE)
    test = known.machine.tests["charging_volts"]
    assert [one.id for one in test.outcomes][-2:] == ["not_possible", "unsteady"]
    column, slip = known.behaviour.column["charging_volts"], 0.01 / len(test.outcomes)
    fuse, post = (
        known.faults.index(fault) for fault in (("main_fuse", "open"), ("minus_post", "loose"))
    )
    dead, loose, good = outcome_chances(test, singles(VEHICLE)[[fuse, post, -1], column])
    assert dead[-2] == pytest.approx(0.99 + slip)
    assert good[-2] == pytest.approx(slip)
    assert good[0] > 0.9
    # else touching in 0.6 of the time
    assert loose[-1] == pytest.approx(0.99 * 0.5 + slip)
    assert loose[-2] == pytest.approx(0.99 * 0.5 * 0.4 + slip)
