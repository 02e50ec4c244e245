"""Numbers on a meter: their text, their range, and what they say about the circuit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from diagnose.errors import UnitError, ValueOutOfRangeError
from diagnose.machine.model import OPEN_OHMS
from diagnose.faults.outcomes import bin_of, limits_of, outcome_chances, spread_of
from diagnose.faults.readings import (
    HIGH_OHMS,
    LOW_OHMS,
    check_reading,
    outcome_of,
    parse_reading,
    reading_likelihood,
)
from diagnose.faults.words import YES
from tests import shipped

VEHICLE = "utility_vehicle"


def by_id(test):
    return shipped.behaviour(VEHICLE).machine.tests[test]


@pytest.mark.parametrize(
    ("test", "text", "value"),
    [
        ("battery_rest", "12.3V", 12.3),
        ("battery_rest", "12.3", 12.3),
        ("battery_rest", " 12.3 volts ", 12.3),
        ("battery_rest", "12300 mV", 12.3),
        ("battery_rest", "1.23e1 V", 12.3),
        ("coil_ground_drop", "85 mV", 0.085),
        ("coil_ground_drop", ".085v", 0.085),
        ("coil_ground_drop", "-5mV", -0.005),
        ("main_fuse_ohms", "0.4 ohm", 0.4),
        ("main_fuse_ohms", "400 mohms", 0.4),
        ("main_fuse_ohms", "1.2 kohm", 1200.0),
        ("main_fuse_ohms", "2 M\N{GREEK CAPITAL LETTER OMEGA}", 2e6),
        ("main_fuse_ohms", "5 \N{OHM SIGN}", 5.0),
        ("starter_amps", "95 A", 95.0),
        ("starter_amps", "95amps", 95.0),
    ],
)
def test_numbers_with_their_units(test, text, value):
    assert parse_reading(by_id(test), text) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("test", "text"),
    [
        ("battery_rest", "12.3 A"),
        ("battery_rest", "12.3 ohm"),
        ("battery_rest", "12.3 W"),
        ("battery_rest", "12,3 V"),
        ("battery_rest", "V"),
        ("battery_rest", ""),
        ("battery_rest", "nan V"),
        ("battery_rest", "12.3 GV"),
        ("main_fuse_ohms", "0.4 V"),
        ("listen_relay", "12.3 V"),
        ("listen_relay", "3"),
    ],
)
def test_a_wrong_unit_or_no_number_is_refused(test, text):
    with pytest.raises(UnitError) as caught:
        parse_reading(by_id(test), text)
    assert caught.value.place == test


def test_a_number_out_of_range_is_refused_with_the_range():
    test = by_id("battery_rest")
    with pytest.raises(ValueOutOfRangeError) as caught:
        check_reading(test, 120.0)
    assert (caught.value.low, caught.value.high) == (test.low, test.high)
    assert check_reading(test, test.high) == test.high
    for bad in (math.inf, -math.inf):
        with pytest.raises(ValueOutOfRangeError):
            check_reading(test, bad)
    with pytest.raises(UnitError):
        check_reading(test, math.nan)


def test_infinite_ohms_are_an_open_circuit():
    test = by_id("main_fuse_ohms")
    assert check_reading(test, math.inf) == OPEN_OHMS
    assert outcome_of(test, math.inf) == outcome_of(test, OPEN_OHMS)
    with pytest.raises(ValueOutOfRangeError):
        check_reading(by_id("battery_rest"), math.inf)


def measured(name):
    """Tests that give a number and depend on something."""
    ready = shipped.ready(name)
    return [t for t in ready.machine.tests.values() if t.id in ready.means]


@pytest.mark.parametrize("name", shipped.NAMES)
def test_outcome_of_a_limit_is_the_outcome_above_it(name):
    """`at_least` means at least."""
    for test in measured(name):
        for outcome in test.outcomes:
            if outcome.at_least is not None:
                assert outcome_of(test, outcome.at_least) == outcome.id
                assert outcome_of(test, outcome.at_least - 1e-9) != outcome.id


def density(test, values, mean, deviation, share):
    return np.array([reading_likelihood(test, float(v), mean, deviation, share) for v in values])


def alone(test, kinds):
    """Predictions of single readings (cases, 2): each falls into one outcome altogether."""
    share = np.eye(len(limits_of(test)) + 1)[bin_of(test, kinds)].transpose(0, 2, 1)
    mean = share * kinds[:, None, :]
    return mean, np.zeros_like(mean), share


def grid_around(test, mean, deviation):
    """Readings from far below to far above, close together around every predicted value."""
    spread = np.hypot(np.maximum(spread_of(test, mean), 1e-6), deviation).ravel()
    steps = np.concatenate([np.linspace(-60.0, 60.0, 25), np.linspace(-6.0, 6.0, 73)])
    return np.unique(mean.ravel()[:, None] + spread[:, None] * steps)


@pytest.mark.parametrize("name", shipped.NAMES)
def test_likelihood_integrates_to_one(name):
    """Over all readings, also those outside the range, where only the normal's tail is; for ohms
    over their logarithm, within the reach of the meter, where the bounds cut half of a bell off."""
    ready = shipped.ready(name)
    for test in measured(name):
        n_bins = len(limits_of(test)) + 1
        mean, deviation, share = (
            array[test.id].reshape(-1, n_bins, 2)[:9]
            for array in (ready.means, ready.deviations, ready.shares)
        )
        np.testing.assert_allclose(share.sum(axis=1), 1.0, rtol=1e-12)
        if test.kind == "ohms":
            grid = np.linspace(math.log(LOW_OHMS), math.log(HIGH_OHMS), 1000)
            total = np.trapezoid(density(test, np.exp(grid), mean, deviation, share), grid, axis=0)
            assert (total >= 0.45).all()
            assert (total <= 1.0 + 1e-3).all()
            continue
        slip = test.slip_percent / 100.0
        grid = grid_around(test, mean, deviation)
        values = density(test, grid, mean, deviation, share) - slip / (test.high - test.low)
        np.testing.assert_allclose(
            np.trapezoid(values, grid, axis=0), 1.0 - slip, rtol=5e-3, err_msg=test.id
        )


@pytest.mark.parametrize("name", shipped.NAMES)
def test_density_summed_over_an_outcome_is_the_outcomes_probability(name):
    """For steady readings without a spread among faults, slips aside: those of a number lie
    anywhere in its range, those of an outcome on any outcome."""
    ready = shipped.ready(name)
    compared = 0
    for test in measured(name):
        if test.kind == "ohms":
            continue
        single = ready.single_readings[test.id]
        steady = single[np.abs(single[:, 0] - single[:, 1]) < 1e-9][::9]
        kinds = np.unique(steady, axis=0)
        slip = test.slip_percent / 100.0
        chances = outcome_chances(test, kinds) - slip / len(test.outcomes)
        limits = limits_of(test)
        grid = np.unique(np.concatenate([grid_around(test, kinds, np.zeros_like(kinds)), limits]))
        values = density(test, grid, *alone(test, kinds)) - slip / (test.high - test.low)
        for k in range(len(limits) + 1):
            above = limits[k] if k < len(limits) else -np.inf
            below = limits[k - 1] if k else np.inf
            inside = (grid >= above) & (grid <= below)
            total = np.trapezoid(values[inside], grid[inside], axis=0)
            np.testing.assert_allclose(total, chances[:, k], atol=0.01, err_msg=test.id)
            compared += len(kinds)
    assert compared > 100


def posterior(ready, evidence, test, value):
    """Beliefs after one reading."""
    likelihood = reading_likelihood(
        test, value, ready.means[test.id], ready.deviations[test.id], ready.shares[test.id]
    )
    return ready.compiled.posterior(evidence, parent_likelihoods={test.id: likelihood})


@pytest.mark.parametrize("name", shipped.NAMES)
def test_a_reading_like_the_good_one_never_speaks_for_what_it_contradicts(name):
    """For each test: reading what an all-good circuit gives makes nearly every fault that alone
    would read far away (ten spreads and more) less likely by half, and none much likelier: behind
    a second fault it may read like the good one (a dead cell with nothing to crank)."""
    ready = shipped.ready(name)
    before = ready.compiled.posterior({})
    falls = []
    for test in measured(name):
        single = ready.single_readings[test.id]
        good = single[-1]
        if test.kind == "ohms" or good[0] != good[1] or not test.low <= good[0] <= test.high:
            continue
        after = posterior(ready, {}, test, float(good[0]))
        spread = test.spread + test.spread_percent / 100.0 * abs(good[0])
        far = (np.abs(single[:-1] - good[0]) > 10.0 * spread).all(axis=1)
        for fault in np.flatnonzero(far):
            part, mode = ready.faults[fault]
            ratio = after[part][mode] / before[part][mode]
            assert ratio < 1.1, (test.id, part, mode)
            falls.append(ratio < 0.5)
    assert len(falls) > 100
    assert np.mean(falls) > 0.9


def test_a_good_battery_reading_raises_the_good_battery():
    ready = shipped.ready(VEHICLE)
    test = by_id("battery_rest")
    good = float(ready.single_readings["battery_rest"][-1, 0])
    before = ready.compiled.posterior({"silent": YES})["battery"]
    after = posterior(ready, {"silent": YES}, test, good)["battery"]
    assert after["ok"] > before["ok"]
    low = posterior(ready, {"silent": YES}, test, 11.0)["battery"]
    assert low["ok"] < 0.1 * before["ok"]


@pytest.mark.parametrize(
    ("complaint", "test", "value"),
    [
        ("one_click", "relay_output_volts", 0.0),
        ("silent", "coil_ground_volts", 11.9),
        ("silent", "start_button_ohms", 1e6),
        ("dead", "main_fuse_ohms", 1e6),
        ("dead", "key_out_volts", 0.0),
    ],
)
def test_a_reading_in_the_middle_of_an_outcome_says_what_the_outcome_says(complaint, test, value):
    """Where all faults that give an outcome read alike. The number still tells a little more than
    the word: total variation over the suspects at most 0.2, and the same suspect on top."""
    ready = shipped.ready(VEHICLE)
    known = by_id(test)
    word = outcome_of(known, value)
    number = posterior(ready, {complaint: YES}, known, value)
    spoken = ready.compiled.posterior({complaint: YES, test: word})
    one = np.array([number[part][mode] for part, mode in ready.faults])
    two = np.array([spoken[part][mode] for part, mode in ready.faults])
    assert 0.5 * np.abs(one / one.sum() - two / two.sum()).sum() <= 0.2
    assert one.argmax() == two.argmax()
