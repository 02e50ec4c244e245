"""A machine that is pulled by hand: functions without needs, and what wants a turning engine.

What the rope does is common practice, no source.
"""

from __future__ import annotations

import pytest

from tests.faults.machines import shipped

MOWER = "push_mower"


def level(function: str, *faults: tuple[str, str]) -> str:
    known = shipped(MOWER)
    numbers = tuple(sorted(known.faults.index(fault) for fault in faults))
    reading = known.behaviour.readings([numbers])[0, known.behaviour.column[function], 0]
    levels = known.machine.functions[function].levels
    return levels[int(reading)].id if 0 <= reading < len(levels) else "not_reached"


@pytest.mark.parametrize(
    ("function", "stopped_by"),
    [
        ("rope_whole", {("recoil", "broken")}),
        ("rope_comes", {("recoil", "stuck"), ("blade_brake", "stuck"), ("engine", "stuck")}),
        (
            "pulls_easily",
            {
                ("bar_cable", "broken"),
                ("bar_cable", "out_of_adjustment"),
                ("blade_brake", "out_of_adjustment"),
                ("deck", "blocked"),
            },
        ),
    ],
)
def test_a_hands_work_is_stopped_by_what_says_so_alone(
    function: str, stopped_by: set[tuple[str, str]]
) -> None:
    listed = [fault for fault in shipped(MOWER).faults if fault[0] != "unlisted"]
    assert level(function) == "yes"
    assert {fault for fault in listed if level(function, fault) == "no"} == stopped_by


def test_no_spark_is_looked_for_on_an_engine_that_the_rope_does_not_turn() -> None:
    assert level("spark") == "sparks"
    assert level("spark", ("kill_lead", "shorted")) == "none"
    assert level("spark", ("recoil", "slipping")) == "not_reached"


def test_a_broken_cable_leaves_the_brake_on_and_the_spark_away() -> None:
    assert level("spark", ("bar_cable", "broken")) == "none"
    assert level("runs_on", ("bar_cable", "stuck")) == "runs_on"
    assert level("runs_on") == "stops"
