"""Machines with other figures than the file's, by hand."""

from __future__ import annotations

import pytest

from diagnose.errors import ValueOutOfRangeError
from diagnose.machine.load import load_machine
from tests.commands.carts import CART
from tests.trial.sensitivity import with_more_slips, with_other_priors


def test_priors_times_a_factor_by_hand() -> None:
    machine = load_machine(CART)
    other = with_other_priors(machine, {("lamp", "open"): 3.0, ("battery", "low"): 0.5})
    assert other.parts["lamp"].modes["open"].per_1000_jobs == 60.0
    assert other.parts["battery"].modes["low"].per_1000_jobs == 90.0
    assert other.parts["battery"].modes["flat"] == machine.parts["battery"].modes["flat"]
    assert {p: other.parts[p] for p in machine.parts if p not in {"lamp", "battery"}} == {
        p: machine.parts[p] for p in machine.parts if p not in {"lamp", "battery"}
    }


def test_slips_times_three_by_hand() -> None:
    machine = load_machine(CART)
    other = with_more_slips(machine, 3.0)
    for test in machine.tests.values():
        assert other.tests[test.id].slip_percent == 3.0 * test.slip_percent
    with pytest.raises(ValueOutOfRangeError, match="slips"):
        with_more_slips(machine, 100.0)


def test_what_differs_is_kept_apart() -> None:
    # What is worked out of a machine is found again by its hash.
    machine = load_machine(CART)
    others = [
        with_other_priors(machine, {("lamp", "open"): 3.0}),
        with_other_priors(machine, {("lamp", "open"): 2.0}),
        with_more_slips(machine, 3.0),
        with_more_slips(with_other_priors(machine, {("lamp", "open"): 3.0}), 3.0),
    ]
    assert len({machine.content_hash, *(other.content_hash for other in others)}) == 5
