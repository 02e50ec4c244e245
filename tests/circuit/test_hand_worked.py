"""Small circuits whose answers are worked out by hand: Ohm's and Kirchhoff's laws.

A meter takes a microamp of its own, hence the tolerance of a few microvolts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.circuit.bench import (
    LOOSE,
    OPEN,
    SLACK,
    battery,
    both,
    line,
    machine,
    mode,
    probe,
    read,
    volts,
)

if TYPE_CHECKING:
    from diagnose.machine.model import Machine


def test_voltage_divider() -> None:
    # 12 V over 1 + 2 + 3 ohm: 2 A; 10 V at the post, 6 V at the middle.
    one = machine(
        [
            battery(12.0, 1.0),
            line("upper", "load", "plus>middle", 2.0, OPEN),
            line("lower", "load", "middle>minus", 3.0, OPEN),
        ],
        {"on": ()},
        [
            volts("post", "plus"),
            volts("middle", "middle"),
            probe("clamp", "amps", "on", parts=("lower",)),
            probe("battery_clamp", "amps", "on", parts=("battery",)),
        ],
    )
    found = read(one)
    assert found == {
        "post": both(10.0),
        "middle": both(6.0),
        "clamp": both(2.0),
        "battery_clamp": both(2.0),
    }
    assert read(one, "upper.open")["post"] == both(12.0)
    assert read(one, "upper.open")["clamp"] == both(0.0)
    assert read(one, "lower.open")["middle"] == both(12.0)


def test_two_loads_on_one_trunk() -> None:
    # 12.65 V behind 0.65 ohm of trunk; 4 ohm beside 12 ohm are 3 ohm: 12.65 / 3.65 A.
    one = machine(
        [
            battery(12.65, 0.15),
            line("trunk", "wire", "plus>tee", 0.5, mode("green", ohms=2.0)),
            line("four", "load", "tee>minus", 4.0, OPEN),
            line("twelve", "load", "tee>minus", 12.0, OPEN),
        ],
        {"on": ()},
        [volts("tee", "tee"), probe("clamp", "amps", "on", parts=("trunk",))],
    )
    amps = 12.65 / 3.65
    assert read(one) == {"tee": both(3.0 * amps), "clamp": both(amps)}
    assert read(one, "four.open")["tee"] == both(12.65 * 12.0 / 12.65)
    assert read(one, "trunk.green")["tee"] == both(12.65 * 3.0 / 5.15)


def test_load_tester_and_battery_table() -> None:
    # A battery that leaves 7.2 V at its rated 340 A has (12.65 - 7.2) / 340 = 16 milliohm; the
    # tester draws 170 A from it and leaves 12.65 - 170 * 0.016 = 9.93 V, over the 9.6 V that
    # several makers' manuals ask for at 20 C and above.
    one = machine(
        [
            battery(12.65, 5.45 / 340.0, mode("sulphated", ohms=0.1)),
            line("lamp", "load", "plus>minus", 1e6),
        ],
        {"rest": ()},
        [
            probe(
                "load",
                "load_test",
                "rest",
                parts=("battery",),
                added_ohms=(12.65 - 170 * 5.45 / 340) / 170,
            )
        ],
    )
    assert read(one)["load"] == both(12.65 - 2.725)
    assert read(one)["load"][0] >= 9.6 > read(one, "battery.sulphated")["load"][0]


def fused(load_ohms: float) -> Machine:
    return machine(
        [
            battery(12.0, 0.01),
            line("main_fuse", "fuse", "plus>feed", 0.01, OPEN, fuse_amps=30.0),
            line("fuse", "fuse", "feed>out", 0.01, OPEN, fuse_amps=10.0),
            line("wire", "wire", "out>end", 0.01, mode("shorted", short_ohms=0.05)),
            line("trunk_wire", "wire", "feed>lamp", 0.01, mode("shorted", short_ohms=0.05)),
            line("load", "load", "end>minus", load_ohms, OPEN),
        ],
        {"rest": ()},
        [
            volts("feed", "feed", condition="rest"),
            volts("out", "out", condition="rest"),
            probe("look", "look", None, parts=("fuse",)),
            probe("fuse_ohms", "ohms", "rest", parts=("fuse",)),
        ],
    )


@pytest.mark.parametrize(("amps", "holds"), [(13.4, True), (13.6, False)])
def test_a_fuse_blows_at_135_percent(amps: float, holds: bool) -> None:
    # ISO 8820-3: 1.35 times the rating must open it; 10 A: 13.5 A.
    one = fused(12.0 / amps - 0.04)
    assert (read(one)["out"][0] > 11.0) == holds
    assert (read(one)["fuse_ohms"][0] < 1.0) == holds


def test_the_nearest_fuse_blows_and_saves_the_others() -> None:
    good, shorted = fused(4.0), read(fused(4.0), "wire.shorted")
    assert read(good)["out"][0] > 11.0
    assert shorted["out"][0] < 1.5
    assert shorted["feed"] == both(12.0)
    assert read(good, "trunk_wire.shorted")["feed"][0] < 1.5


def test_a_loose_joint_reads_as_made_and_as_open() -> None:
    # Touching, 0.02 ohm on top of 0.08; 5.9 ohm behind; 12 V: 2 A. Apart, the net floats.
    one = machine(
        [
            battery(12.0, 1e-9),
            line("joint", "connector", "plus>far", 0.08, LOOSE),
            line("lamp", "load", "far>minus", 5.9, OPEN),
        ],
        {"on": ()},
        [
            volts("far", "far"),
            probe("clamp", "amps", "on", parts=("lamp",)),
            probe("joint_ohms", "ohms", "on", parts=("joint",)),
            probe("wiggle", "wiggle", "on", parts=("joint",)),
            probe("lamp_lamp", "lamp", "on", probes=("far", "minus"), added_ohms=35.0),
        ],
    )
    assert read(one)["far"] == both(12.0 * 5.9 / 5.98)
    found = read(one, "joint.loose")
    assert found["far"][0] == pytest.approx(11.8, abs=SLACK)
    assert found["clamp"][0] == pytest.approx(2.0, abs=SLACK)
    assert found["far"][1] == pytest.approx(0.0, abs=1e-3)
    assert found["joint_ohms"] == (pytest.approx(0.1), pytest.approx(1e8))
    assert found["wiggle"] == (1.0, 1.0)
    assert found["lamp_lamp"][1] == pytest.approx(0.0, abs=1e-3)


def test_a_meter_reads_through_a_joint_that_a_lamp_does_not() -> None:
    # 10 kilohm of corrosion before 10 megohm of meter, and before 35 ohm of test lamp.
    one = machine(
        [
            battery(12.0, 0.01),
            line("joint", "connector", "plus>far", 0.002, mode("green", ohms=1e4)),
            line("lamp", "load", "far>minus", 6.0, mode("unplugged", open=True)),
        ],
        {"on": ()},
        [
            volts("meter", "far", unplugged=("lamp",)),
            probe(
                "test_lamp",
                "lamp",
                "on",
                probes=("far", "minus"),
                added_ohms=35.0,
                unplugged=("lamp",),
            ),
            volts("loaded", "far"),
        ],
    )
    found = read(one, "joint.green")
    assert found["meter"][0] > 11.95
    assert found["test_lamp"][0] == pytest.approx(12.0 * 35 / 10035, abs=1e-3)
    assert found["loaded"][0] < 0.01
    assert read(one)["test_lamp"][0] > 11.9
