"""Minutes of opening, parts and repairs, by hand on the cart."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import pytest

from diagnose.machine.load import load_machine
from diagnose.rule import minutes
from tests.commands.carts import CART

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Repair


@cache
def cart() -> Machine:
    """With a lid of 1 + 2 minutes inside the seat of the file, which takes 2 + 3."""
    machine = load_machine(CART)
    assert (machine.areas["seat"].open_minutes, machine.areas["seat"].close_minutes) == (2.0, 3.0)
    lid = replace(
        machine.areas["seat"], id="lid", inside="seat", open_minutes=1.0, close_minutes=2.0
    )
    relay = replace(machine.parts["start_relay"], area="lid")
    return replace(
        machine,
        areas={**machine.areas, "lid": lid},
        parts={**machine.parts, "start_relay": relay},
    )


def new_relay() -> Repair:
    (repair,) = (one for one in cart().parts["start_relay"].repairs if one.id == "replace")
    return repair


def test_what_is_to_be_opened_is_told_from_the_outside_in() -> None:
    assert minutes.to_open(cart(), "lid", ()) == ("seat", "lid")
    assert minutes.to_open(cart(), "lid", ("seat",)) == ("lid",)
    assert minutes.to_open(cart(), "lid", ("seat", "lid")) == ()
    assert minutes.to_open(cart(), "seat", ("lid",)) == ("seat",)
    assert minutes.to_open(cart(), None, ()) == ()


def test_opening_is_charged_with_closing() -> None:
    assert minutes.opening_minutes(cart(), ("seat", "lid")) == pytest.approx(5.0 + 3.0)
    assert minutes.closing_minutes(cart(), ("lid",)) == pytest.approx(2.0)
    assert minutes.closing_minutes(cart(), ("seat", "lid")) == pytest.approx(5.0)
    assert minutes.closing_minutes(cart(), ()) == 0.0


def test_a_price_is_minutes_at_the_labour_rate() -> None:
    # 78 EUR an hour: 32 EUR are 32 / 78 of 60 minutes.
    assert minutes.price_minutes(cart(), 78.0) == pytest.approx(60.0)
    assert minutes.price_minutes(cart(), 32.0) == pytest.approx(24.615384615)


def test_a_new_relay_takes_its_labour_its_price_and_the_check() -> None:
    # 20 minutes, 32 EUR, a check of 2; behind seat and lid 8 minutes more of labour.
    assert minutes.repair_minutes(cart(), new_relay()) == pytest.approx(20.0 + 24.615384615 + 2.0)
    labour = [
        minutes.labour_minutes(cart(), "start_relay", new_relay(), opened)
        for opened in ((), ("seat",), ("seat", "lid"))
    ]
    assert labour == pytest.approx([8.0 + 22.0, 3.0 + 22.0, 22.0])
