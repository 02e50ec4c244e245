"""What the referee works out for itself, on cases small enough to do in the head."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from diagnose.machine.load import load_machine
from tests.referees import technician
from tests.referees.bench import NOTHING_WRONG, SHOWN, Bench
from tests.referees.pool import Pool
from tests.referees.shop import Priors, bad_new_part, rest_after
from tests.referees.story import Story, cold_of, posts, told

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
    row = bench.rows([(bench.number["plug", "loose"],)])
    assert told(bench, "not_right", row)[0] == pytest.approx((0.95 + 0.001) / 2)
    assert told(bench, "quite_dark", row)[0] == pytest.approx((0.85 + 0.001) / 2)


def test_words_of_the_customer(bench: Bench) -> None:
    """Three complaints: right in 85 of 100, else any of the other two; one in 1 000 for no reason.

    Nothing wrong, a flat battery, a switch that keeps the lamp on; the last is something else that
    is wrong, though it runs when it is tried.
    """
    rows = bench.rows(
        [(), (bench.number["battery", "flat"],), (bench.number["switch", "stuck_closed"],)]
    )
    assert told(bench, "no_light", rows) == pytest.approx([0.001, 0.85, 0.075])
    assert told(bench, "quite_dark", rows) == pytest.approx([0.001, 0.075, 0.075])
    assert told(bench, "not_right", rows) == pytest.approx([0.001, 0.95, 0.95])


def test_trying(bench: Bench) -> None:
    """Runs, no light, quite dark, other. Both say of a dark lamp what is so; quite dark says more.

    With a low battery (11.5 V) it lights at over 10 V and does not stay white at 11.7 V.
    """
    assert bench.shown == ["runs", "no_light", "quite_dark", "other"]
    assert _shown(bench, SHOWN) == [0, 0]
    assert _shown(bench, SHOWN, ("battery", "flat")) == [1, 1]
    assert _shown(bench, SHOWN, ("fuse", "open")) == [2, 2]
    assert _shown(bench, SHOWN, ("battery", "low")) == [3, 3]
    assert _shown(bench, SHOWN, ("switch", "stuck_closed")) == [0, 0]
    assert _shown(bench, SHOWN, ("plug", "loose")) == [0, 2]
    assert _shown(bench, SHOWN, ("unlisted", "quite_dark")) == [2, 2]
    assert _shown(bench, NOTHING_WRONG, ("battery", "low")) == [0, 0]
    assert _shown(bench, NOTHING_WRONG, ("switch", "stuck_closed")) == [0, 0]
    assert _shown(bench, NOTHING_WRONG, ("plug", "loose")) == [1, 0]


def test_checks(bench: Bench) -> None:
    """Five in 1 000 spread over what can be shown: four things, five on a job about `not_right`."""
    pool = Pool(bench, 0, seed=1)
    dark = bench.rows([(bench.number["fuse", "open"],)])
    kept_on = bench.rows([(bench.number["switch", "stuck_closed"],)])
    usual = pool.teller(Story("no_light"))
    assert usual.tried("quite_dark", dark)[0] == pytest.approx(0.995 + 0.00125)
    assert usual.tried("no_light", dark)[0] == pytest.approx(0.995 + 0.00125)
    assert usual.tried("other", dark)[0] == pytest.approx(0.00125)
    assert usual.tried("runs", kept_on)[0] == pytest.approx(0.995 + 0.00125)
    weekly = pool.teller(Story("not_right"))
    assert bench.results("not_right") == ["runs", "no_light", "quite_dark", "other", "not_right"]
    assert weekly.tried("runs", kept_on)[0] == pytest.approx(0.996 * (1 - 0.996))
    assert weekly.tried("not_right", kept_on)[0] == pytest.approx(0.996)


def test_what_the_machine_does_not_get_far_enough_for(bench: Bench) -> None:
    """A dark lamp cannot be watched burning; one that comes and goes can, now and then."""
    tests, n = bench.machine.tests, bench.number
    rows = bench.rows([(n["fuse", "open"],), (n["plug", "loose"],), ()])
    drop = technician.outcome_chances(
        tests["lug_drop"], bench.values[rows, bench.column["lug_drop"]]
    )
    assert drop[0] == pytest.approx([0.0025, 0.0025, 0.9925, 0.0025], abs=1e-3)
    # seen to come and go half the time, else it burns with 0.6 and does not with 0.4
    shares = np.array([0.0, 0.5 * 0.6, 0.5 * 0.4, 0.5])
    assert drop[1] == pytest.approx(0.99 * shares + 0.0025, abs=1e-3)
    assert drop[2] == pytest.approx([0.0025, 0.9925, 0.0025, 0.0025], abs=1e-3)
    watch = technician.outcome_chances(tests["watch"], bench.values[rows, bench.column["holds"]])
    # eyes slip in two of a hundred
    assert watch[0] == pytest.approx([0.005, 0.005, 0.005, 0.985])
    assert watch[1] == pytest.approx(np.array([0.6, 0.0, 0.0, 0.4]) * 0.98 + 0.005)
    nothing = technician.number_density(
        tests["lug_drop"], 0.1, bench.values[rows[:1], bench.column["lug_drop"]]
    )
    assert nothing[0] == pytest.approx(0.01 / (tests["lug_drop"].high - tests["lug_drop"].low))


def test_unlisted_by_complaint(bench: Bench) -> None:
    """40 of 1 000 for `quite_dark`, 80 as for the machine elsewhere; a quarter of it."""
    chances = Priors(bench).part_chances("unlisted", frozenset())
    assert chances == pytest.approx({"no_light": 0.02, "not_right": 0.02, "quite_dark": 0.01})


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
    assert rest_after(bench, (fuse, loose), "plug", "clean") == ((fuse,), True)
    assert rest_after(bench, (fuse, broken), "plug", "clean") == ((fuse, broken), False)
    assert rest_after(bench, (fuse,), "plug", "clean") == ((fuse,), True)
    # a new switch has its plug crimped anew, which puts a loose one right and no open one
    assert rest_after(bench, (fuse, loose), "switch", "replace") == ((fuse,), True)
    assert rest_after(bench, (fuse, broken), "switch", "replace") == ((fuse, broken), True)
    bad = bad_new_part(bench.machine, "plug", "replace")
    assert bad == pytest.approx({("plug", "loose"): 0.1, ("plug", "open"): 0.05})
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


def test_posts_are_where_the_clamps_sit() -> None:
    """A state of charge lies between the cells and the plus post."""
    assert list(posts(load_machine(LAMP)).values()) == [("post", "frame")]
    assert list(posts(load_machine("standby_pump")).values()) == [("batt_plus", "batt_minus")]
    assert len(posts(load_machine("work_boat"))) == 2
    assert not posts(load_machine("push_mower"))
