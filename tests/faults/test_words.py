"""The customer's words: right, wrong, or for no reason; and what the file does not list.

By hand, with the project's estimates: right in 85 of 100 jobs where the file gives no other
figure, wrong words spread over the other complaints, 1 in 1 000 about a machine that works.
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.faults.outcomes import complaint_chances, wording
from tests.belief.by_levels import at_levels, told_by_hand
from tests.faults.machines import NAMES, shipped, singles

FITS, AMISS, WORKS = 0.0, 1.0, 2.0
"""What the observable of a complaint shows."""

SHARE = 0.25
"""Of four machines standing about, one would be a job; estimate."""

UNLISTED = {
    "utility_vehicle": {
        "one_click": 3.0,
        "spins_free": 2.0,
        "rattles": 2.0,
        "slow_crank": 12.0,
        "cranks_no_start": 14.0,
        "flat_again": 6.0,
    },
    "standby_pump": {
        "one_click": 4.0,
        "rattles": 2.0,
        "slow_crank": 12.0,
        "cranks_no_start": 6.0,
        "shuts_down": 20.0,
        "flat_again": 6.0,
    },
}
"""Of 1 000 jobs, as the machine files say."""


@pytest.mark.parametrize(
    ("machine", "complaint", "right", "wrong"),
    [
        ("utility_vehicle", "dead", 0.85, 0.15 / 7),  # eight complaints
        ("standby_pump", "one_click", 0.80, 0.20 / 7),  # eight too
        ("standby_pump", "shuts_down", 0.95, 0.05 / 7),
        ("zero_turn_mower", "will_not_stop", 0.98, 0.02 / 10),  # eleven
    ],
)
def test_chance_of_the_words(machine: str, complaint: str, right: float, wrong: float) -> None:
    values = [[FITS, FITS], [AMISS, AMISS], [WORKS, WORKS], [FITS, AMISS], [WORKS, FITS]]
    chances = complaint_chances(np.array(values), wording(shipped(machine).machine, complaint))
    made = [right, wrong, 0.001, (right + wrong) / 2.0, (0.001 + right) / 2.0]
    np.testing.assert_allclose(chances[:, 0], made, rtol=1e-12)
    np.testing.assert_allclose(chances[:, 1], 1.0 - np.array(made), rtol=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_words_under_every_single_fault(name: str) -> None:
    """Whether they fit, and whether anything is wrong, as the functions' levels say."""
    known, readings = shipped(name), singles(name)
    machine, behaviour = known.machine, known.behaviour
    amiss = ~at_levels(behaviour, readings, machine.works)
    for complaint in machine.complaints.values():
        amiss |= at_levels(behaviour, readings, complaint.says)
    assert not amiss[-1].any()  # the good machine
    for complaint in machine.complaints.values():
        fits = at_levels(behaviour, readings, complaint.says)
        shown = readings[:, behaviour.column[complaint.id]]
        np.testing.assert_array_equal(shown == FITS, fits, err_msg=complaint.id)
        np.testing.assert_array_equal(shown == WORKS, ~amiss, err_msg=complaint.id)
        np.testing.assert_array_equal(shown == AMISS, amiss & ~fits, err_msg=complaint.id)
        assert fits.any(), complaint.id
        np.testing.assert_allclose(
            complaint_chances(shown, wording(machine, complaint.id))[:, 0],
            told_by_hand(behaviour, readings, complaint.id),
            rtol=1e-12,
        )


@pytest.mark.parametrize("name", UNLISTED)
def test_what_is_not_listed_is_as_frequent_as_its_complaint_says(name: str) -> None:
    known = shipped(name)
    for (part, complaint), prior in zip(known.faults, known.behaviour.priors, strict=True):
        if part == "unlisted":
            of_1000 = UNLISTED[name].get(complaint, known.machine.unlisted_per_1000)
            assert prior == pytest.approx(SHARE * of_1000 / 1000.0, rel=1e-12)
