"""Simulated jobs on the barn cart: the same whatever the split, never better than knowing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnose.errors import ValueOutOfRangeError
from diagnose.job import prepare
from diagnose.machine.load import load_machine
from diagnose.trial.shop import draw_truths
from diagnose.trial.simulate import PIECE, Bays, Workshop, complaint_shares, simulate
from tests.ahead.forward import amiss, cart, every_set, told
from tests.commands.carts import CART
from tests.trial.sensitivity import with_other_priors

BOTH = ("silent", "slow_crank")


def shop(policy: str) -> Workshop:
    return Workshop(load_machine(CART), policy, BOTH)


@pytest.mark.parametrize("policy", ["fixed_order", "source_to_load"])
def test_the_same_jobs_for_any_split(policy: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("diagnose.trial.simulate.PIECE", 12)
    whole = simulate(shop(policy), 28, 7)
    cut = [Bays(shop(policy)).play(7, *edge) for edge in ((24, 28), (0, 12), (12, 24))]
    np.testing.assert_array_equal(whole, np.concatenate([*cut[1:], cut[0]]))


def test_more_jobs_begin_with_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("diagnose.trial.simulate.PIECE", 12)
    whole = simulate(shop("gate"), 28, 7)
    for jobs in (1, 5, 13):
        np.testing.assert_array_equal(whole[:jobs], simulate(shop("gate"), jobs, 7))


def test_the_same_jobs_for_any_number_of_processes() -> None:
    one, two = (simulate(shop("repair_only"), PIECE + 50, 3, workers=n) for n in (1, 2))
    np.testing.assert_array_equal(one, two)


def test_forgetting_what_was_decided_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = simulate(shop("gate"), 25, 7)
    monkeypatch.setattr("diagnose.trial.simulate.MOST_STATES", 3)
    monkeypatch.setattr("diagnose.ahead.desk.MOST_STATES", 3)
    np.testing.assert_array_equal(whole, simulate(shop("gate"), 25, 7))


def test_a_complaint_that_nothing_gives_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = load_machine(CART)
    nothing = {(part.id, mode): 0.0 for part in machine.parts.values() for mode in part.modes}
    sound = replace(
        with_other_priors(machine, nothing), unlisted_per_1000=0.0, content_hash="sound"
    )
    with pytest.raises(ValueOutOfRangeError, match="silent"):
        complaint_shares(prepare(sound), ("silent",))
    monkeypatch.setattr("diagnose.trial.shop.MOST_DRAWN", 2)
    with pytest.raises(ValueOutOfRangeError, match="silent"):
        draw_truths(prepare(sound), "silent", 5, np.random.default_rng(0))


def test_other_seeds_give_other_jobs() -> None:
    one, two = (simulate(shop("gate"), 60, seed) for seed in (1, 2))
    assert (one["minutes"] != two["minutes"]).mean() > 0.5


def test_every_policy_gets_the_same_jobs() -> None:
    one, two = (simulate(shop(policy), 60, 1) for policy in ("gate", "certainty_80"))
    np.testing.assert_array_equal(one["known_minutes"], two["known_minutes"])
    np.testing.assert_array_equal(one["complaint"], two["complaint"])


def test_on_average_no_one_is_quicker_than_who_knows() -> None:
    # A fault that comes and goes may have gone when the check after a wrong repair is made, and
    # the check itself is mistaken 5 times in 1 000; so it holds for nearly every job. A corroded
    # frame ground of the cart comes and goes: the relay chatters. Half of the checks show nothing.
    for policy in ("gate", "repair_only"):
        rows = simulate(shop(policy), 100, 5)
        surplus = rows["minutes"] - rows["known_minutes"]
        assert (surplus >= -1e-9).mean() > 0.9
        assert surplus.mean() > 0.0


def test_complaints_come_as_often_as_the_file_says() -> None:
    # Prior times the chance of the words, right or wrong, times the chance that the cart does not
    # work, over all sets of up to three faults, from the file and the circuit
    # (tests/ahead/forward.py).
    of = every_set()
    wrong = amiss(of).mean(axis=1)
    comes = [float(of.prior @ (told(of, complaint) * wrong)) for complaint in BOTH]
    shares = complaint_shares(cart(), BOTH)
    np.testing.assert_allclose(shares, np.array(comes) / sum(comes), atol=0.005)
    rows = simulate(shop("repair_only"), 600, 2)
    error = 4.0 * np.sqrt(0.25 / 600)
    assert (rows["complaint"] == 1).mean() == pytest.approx(shares[1], abs=error)


def test_labour_is_all_costs_without_the_price_of_parts() -> None:
    rows = simulate(shop("repair_only"), 200, 2)
    spent = rows["minutes"] - rows["labour_minutes"]
    assert (spent >= 0.0).all()
    assert spent.max() > 0.0


def test_a_truth_of_its_own_decides_what_is_wrong_and_what_is_read() -> None:
    # Only one fault can be there, so every job that knows takes what its repair takes:
    # a new 20 A fuse under the seat: 2 + 3 to open and close, 3, 60 * 1 / 78 for its price, 2.
    machine = load_machine(CART)
    factors = {
        (part.id, mode): 0.0
        for part in machine.parts.values()
        for mode in part.modes
        if (part.id, mode) != ("main_fuse", "open") and mode != "ok"
    }
    truth = with_other_priors(machine, factors)
    rows = simulate(Workshop(machine, "gate", ("silent",), truth), 60, 3)
    known = 2.0 + 3.0 + 3.0 + 60.0 / 78.0 + 2.0
    fuse = np.isclose(rows["known_minutes"], known)
    # what is left is the unlisted fault, which is handed over
    assert fuse.mean() > 0.5
    assert (rows["known_minutes"][~fuse] == machine.shop.escalate_minutes).all()
    own = simulate(Workshop(truth, "gate", ("silent",)), 60, 3)
    np.testing.assert_array_equal(own["known_minutes"], rows["known_minutes"])
    assert own["minutes"].mean() < rows["minutes"].mean()
