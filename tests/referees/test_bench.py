"""What the referee works out for itself, on cases small enough to do in the head."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from diagnose.machine.load import load_machine
from tests.referees import technician
from tests.referees.bench import Bench
from tests.referees.shop import Priors, bad_new_part, rest_after
from tests.referees.story import cold_of

LAMP = Path(__file__).with_name("yard_lamp.yaml")


@pytest.fixture(scope="module")
def bench() -> Bench:
    return Bench(load_machine(LAMP))


def _shown(bench: Bench, name: str, *faults: tuple[str, str]) -> list[float]:
    row = bench.rows([tuple(sorted(bench.number[fault] for fault in faults))])
    return bench.values[row[0], bench.column[name]].tolist()


def test_function_made_of_others(bench: Bench) -> None:
    """In order (level 0) is: full light when on, dark when off; an open fuse ends the first."""
    assert _shown(bench, "in_order") == [0, 0]
    assert _shown(bench, "in_order", ("fuse", "open")) == [1, 1]
    assert _shown(bench, "in_order", ("switch", "stuck_closed")) == [1, 1]


def test_loose_joint_gives_two_readings(bench: Bench) -> None:
    """Touching, all is well; apart, the complaint fits."""
    assert _shown(bench, "in_order", ("plug", "loose")) == [0, 1]
    assert _shown(bench, "not_right", ("plug", "loose")) == [0, 1]
    told = technician.told(np.array([[0.0, 1.0]]))[0]
    assert told == pytest.approx((0.9 + 0.001) / 2)


def test_unlisted_fault_looks_like_its_complaint_and_reads_good(bench: Bench) -> None:
    """It is dim (the first level its complaint names), with a bridge in as well; volts are full."""
    unlisted = ("unlisted", "no_light")
    assert _shown(bench, "lights", unlisted) == [1, 1]
    assert _shown(bench, "bridge_switch", unlisted) == [1, 1]
    assert _shown(bench, "not_right", unlisted) == [1, 1]
    assert _shown(bench, "lamp_volts", unlisted) == _shown(bench, "lamp_volts")


def test_causes_leave_the_marginal_alone(bench: Bench) -> None:
    """Plug open: 0.25 * 200 / 1000 on the whole, three times likelier in the rain."""
    priors = Priors(bench)
    dry, wet, both = (
        priors.part_chances("plug", frozenset(there))["open"]
        for there in ((), ("rain",), ("rain", "burnt_switch"))
    )
    assert wet == pytest.approx(3 * dry)
    assert both == pytest.approx(6 * dry)
    burnt = 0.25 * 400 / 1000
    assert dry * (1 + 0.3 * 2) * (1 + burnt) == pytest.approx(0.05)


def test_repairs(bench: Bench) -> None:
    """Cleaning a plug does nothing for an open one; a new one is bad in 150 of 1 000, two in
    three of them loose (400 to 200)."""
    loose, broken = bench.number["plug", "loose"], bench.number["plug", "open"]
    fuse = bench.number["fuse", "open"]
    assert rest_after(bench, (fuse, loose), "plug", "clean") == (fuse,)
    assert rest_after(bench, (fuse, broken), "plug", "clean") is None
    assert rest_after(bench, (fuse,), "plug", "clean") == (fuse,)
    bad = bad_new_part(bench.machine, "plug", "replace")
    assert bad == pytest.approx({"loose": 0.1, "open": 0.05})
    assert bad_new_part(bench.machine, "plug", "clean") == {}


def test_outcomes_by_hand(bench: Bench) -> None:
    """12.8 V against a limit of 12.3 with a spread of 0.12 V and 1 %: 2.02 spreads away."""
    test = bench.machine.tests["rest_volts"]
    chances = technician.outcome_chances(test, np.array([[12.8, 12.8], [12.8, 0.0]]))
    assert chances[0, 0] == pytest.approx(0.99 * 0.978 + 0.0025, abs=1e-3)
    # a reading that can change: half the time one sees it change, else 0.6 of the rest is touching
    shares = np.array([0.5 * 0.6 * 0.978, 0.5 * 0.6 * 0.022, 0.5 * 0.4, 0.5])
    assert chances[1] == pytest.approx(0.99 * shares + 0.0025, abs=1e-3)


def test_cold(bench: Bench) -> None:
    """30 kelvin below 20 degrees: 0.039 V; with current drawn it is not looked at."""
    tests = bench.machine.tests
    assert cold_of(bench, tests["rest_volts"], -10.0) == pytest.approx(0.039)
    assert cold_of(bench, tests["lamp_volts"], -10.0) == 0.0
