"""How a loose joint stands while a job goes on; by hand on the barn cart.

That some joints stay as they came to rest is common practice, no source; how many is an estimate.
"""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.belief.situation import Finding, Situation
from diagnose.faults.manners import any_loose, by_manner, outcomes_by_manner
from tests.ahead.forward import cart
from tests.faults.machines import NAMES, shipped

PLUG = ("relay_plug", "loose")
"""The cart's loose joint: with it apart, nothing comes to the relay."""

COMES_AND_GOES, TOUCHES, APART = 1, 2, 3
ESTIMATED = (0.5, 0.3, 0.2)
"""Every other joint comes and goes; of the others three touch for two that do not."""


def values(test: str) -> np.ndarray:
    """(1, 2) what a test reads at the loose plug, in contact and not."""
    ready = cart()
    both = ready.behaviour.readings([(ready.faults.index(PLUG),)])
    return both[:, ready.behaviour.column_of(ready.machine.tests[test])]


def test_a_joint_that_stays_reads_like_a_good_one_or_like_a_break() -> None:
    ready = cart()
    test = ready.machine.tests["coil_volts"]
    found = outcomes_by_manner(test, values("coil_volts"))[:, 0]
    names = [outcome.id for outcome in test.outcomes]
    slip = test.slip_percent / 100.0 / len(names)
    assert found[APART, names.index("none")] == pytest.approx(1.0 - slip * (len(names) - 1))
    assert found[TOUCHES, names.index("none")] == pytest.approx(slip, abs=1e-6)
    for manner in (TOUCHES, APART):
        assert found[manner, names.index("unsteady")] == pytest.approx(slip)
    np.testing.assert_allclose(found[0], np.array(ESTIMATED) @ found[1:], atol=1e-12)


def test_moving_it_shows_it_however_it_stands() -> None:
    found = outcomes_by_manner(cart().machine.tests["move_plug"], values("move_plug"))
    assert (found == found[0]).all()


def test_what_holds_still_is_the_same_in_every_manner() -> None:
    still = np.array([[3.0, 3.0], [0.0, 7.0]])
    found = by_manner(lambda own: own.sum(axis=1), still)
    assert found[:, 0].tolist() == [6.0] * 4
    assert found[1:, 1].tolist() == [7.0, 0.0, 14.0]


def test_the_second_steady_reading_is_no_news() -> None:
    """The odds of a loose plug against an open button: no click, then no volts at the coil.

    By hand: with the plug the relay is silent with 0.4, with the button always. Once it was, the
    plug comes and goes with 0.5 * 0.4 / 0.4 = 0.5 and stays apart with 0.5. Then there are no volts
    with 0.5 * (1 - 0.5) * 0.4 + 0.5 = 0.6, since one that comes and goes is seen to every other
    time. Two looks that know nothing of each other would have 0.3.
    """
    ready = cart()
    loose = ready.faults.index(PLUG)
    button = ready.faults.index(("start_button", "open"))

    def odds(*seen: str) -> float:
        findings = tuple(Finding(test, shown) for test, shown in zip(LOOKS, seen, strict=False))
        belief = ready.belief(Situation("silent", findings))
        alone = {tuple(row): w for row, w in zip(belief.members, belief.weight, strict=True)}
        padding = (len(ready.faults),) * (belief.members.shape[1] - 1)
        return alone[loose, *padding] / alone[button, *padding]

    one, two = odds("silent"), odds("silent", "none")
    assert one / odds() == pytest.approx(0.4, rel=0.02)
    assert two / one == pytest.approx(0.6, rel=0.02)


LOOKS = ("hear_relay", "coil_volts")
"""What was done, one after the other."""


@pytest.mark.parametrize("name", NAMES)
def test_loose_joints_are_those_of_the_file(name: str) -> None:
    known = shipped(name)
    n = len(known.faults)
    loose = known.behaviour.loose
    for fault, (part, mode) in enumerate(known.faults[: known.behaviour.n_listed]):
        assert loose[fault] == known.machine.parts[part].modes[mode].loose
        assert loose[fault] >= (mode == "loose")
    assert not loose[known.behaviour.n_listed :].any()
    members = np.array([[n, n], [int(np.argmax(loose)), n]])
    assert any_loose(loose, members).tolist() == [False, bool(loose.any())]
