"""From what is there to what gets written down, against the instruments' description by scipy."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.faults.outcomes import (
    bin_of,
    cause_chances,
    complaint_chances,
    outcome_chances,
    wording,
)
from tests.belief.by_levels import at_levels
from tests.belief.enumeration import outcomes_by_hand
from tests.faults.machines import NAMES, shipped, singles


@pytest.mark.parametrize("name", NAMES)
def test_every_outcome_under_every_single_fault(name: str) -> None:
    known = shipped(name)
    kinds = set()
    for test in known.machine.tests.values():
        if test.cause is not None:
            continue
        values = singles(name)[:, known.behaviour.column_of(test)]
        slip = test.slip_percent / 100.0
        wanted = (1.0 - slip) * outcomes_by_hand(test, values) + slip / len(test.outcomes)
        found = outcome_chances(test, values)
        np.testing.assert_allclose(found, wanted, atol=1e-12, err_msg=test.id)
        np.testing.assert_allclose(found.sum(axis=1), 1.0, rtol=1e-12)
        kinds.add(test.kind)
    wired = any(part.kind == "battery" for part in known.machine.parts.values())
    assert ({"volts", "drop", "listen"} if wired else set()) | {"lamp", "look", "try"} <= kinds


def test_a_value_in_the_middle_of_an_outcome_gives_it_and_one_on_a_limit_gives_either() -> None:
    test = shipped("utility_vehicle").machine.tests["battery_cranking"]
    upper, lower = (outcome.at_least for outcome in test.outcomes[:2])
    assert upper is not None
    assert lower is not None
    middle, limit = (upper + lower) / 2.0, upper
    chances = outcome_chances(test, np.array([[middle, middle], [limit, limit]]))
    assert chances[0, 1] > 0.9
    assert chances[1, 0] == pytest.approx(chances[1, 1], abs=1e-3)  # half of the bell on each side
    assert bin_of(test, np.array([limit, limit - 1e-9])).tolist() == [0, 1]


def test_what_comes_and_goes_shows_either_value_or_that_it_does() -> None:
    test = shipped("utility_vehicle").machine.tests["battery_cranking"]
    assert test.outcomes[-1].id == "unsteady"
    values = np.array([[13.0, 0.0], [13.0, 13.0]])
    loose, steady = outcome_chances(test, values)
    slip = test.slip_percent / 100.0 / len(test.outcomes)
    assert loose[-1] == pytest.approx(0.5 * (1.0 - test.slip_percent / 100.0) + slip)
    assert steady[-1] == pytest.approx(slip)
    assert loose[0] / loose[-2] == pytest.approx(1.5, abs=0.1)  # contact for 0.6 of the time


@pytest.mark.parametrize("place", [0, 1])
@pytest.mark.parametrize("first", [True, False])
def test_what_cannot_be_read_now_and_then_comes_and_goes_whatever_is_read_else(
    place: int, *, first: bool
) -> None:
    # A value in the middle of an outcome while the machine runs, and none while it does not.
    test = shipped("utility_vehicle").machine.tests["charging_volts"]
    assert [one.id for one in test.outcomes][-2:] == ["not_possible", "unsteady"]
    limits = [one.at_least for one in test.outcomes if one.at_least is not None]
    edges = [limits[0] + 2.0, *limits, limits[-1] - 2.0]
    assert len(edges) == 3
    value = (edges[place] + edges[place + 1]) / 2.0
    pair = [value, -1e6] if first else [-1e6, value]
    (chances,) = outcome_chances(test, np.array([pair]))
    slip = test.slip_percent / 100.0
    wanted = np.full(len(test.outcomes), slip / len(test.outcomes))
    wanted[-1] += (1.0 - slip) * 0.5
    share = 0.6 if first else 0.4  # a loose joint makes contact for 0.6 of the time
    wanted[place] += (1.0 - slip) * 0.5 * share
    wanted[-2] += (1.0 - slip) * 0.5 * (1.0 - share)
    np.testing.assert_allclose(chances, wanted, atol=0.03)
    assert chances[-1] == pytest.approx(wanted[-1])


def test_looking_for_a_cause() -> None:
    test = shipped("utility_vehicle").machine.tests["look_dash_nest"]
    absent, present = cause_chances(test)
    slip = test.slip_percent / 100.0
    assert absent[0] == pytest.approx(slip / 2.0)
    assert present[0] == pytest.approx((1.0 - slip) * 0.85 + slip / 2.0)
    assert present[1] == pytest.approx((1.0 - slip) * 0.15 + slip / 2.0)


def test_moving_a_loose_joint_and_trying_what_comes_and_goes() -> None:
    # Moving it shows it in 0.8 of all cases, and never where nothing is loose; what a function
    # does while it makes contact, 0.6 of the time, is seen in as many.
    known = shipped("utility_vehicle").machine.tests
    wiggle = next(test for test in known.values() if test.kind == "wiggle")
    slip = wiggle.slip_percent / 100.0
    loose, tight = outcome_chances(wiggle, np.array([[1.0, 1.0], [0.0, 0.0]]))
    assert loose.tolist() == pytest.approx([(1.0 - slip) * p + slip / 2.0 for p in (0.8, 0.2)])
    assert tight.tolist() == pytest.approx([slip / 2.0, 1.0 - slip / 2.0])
    heard = known["listen_relay"]
    n, slip = len(heard.outcomes), heard.slip_percent / 100.0
    for values, shares in (((0.0, 2.0), (0.6, 0.4)), ((2.0, 0.0), (0.4, 0.6))):
        (chances,) = outcome_chances(heard, np.array([values]))
        wanted = np.full(n, slip / n)
        wanted[[0, 2]] += (1.0 - slip) * np.array(shares)
        np.testing.assert_allclose(chances, wanted, atol=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_an_unlisted_fault_gives_its_complaint_while_meters_read_as_good(name: str) -> None:
    """Where the machine gets so far that there is something to read."""
    known = shipped(name)
    good = singles(name)[-1]
    for fault in range(known.behaviour.n_listed, len(known.faults)):
        complaint, shown = known.faults[fault][1], singles(name)[fault]
        words = wording(known.machine, complaint)
        chances = complaint_chances(shown[known.behaviour.column[complaint]], words)
        right = known.machine.complaints[complaint].words_fit_percent
        assert chances[0] == pytest.approx(right / 100.0)
        for test in known.machine.tests.values():
            if test.unit is not None:
                column = known.behaviour.column_of(test)
                needs = known.machine.conditions[str(test.condition)].needs
                possible = at_levels(known.behaviour, shown[None], needs)[0]
                wanted = np.where(possible, good[column], -1e6)
                np.testing.assert_array_equal(shown[column], wanted, err_msg=test.id)
