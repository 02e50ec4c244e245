"""Numbers on a meter: their text, their range, and what they say about the circuit."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.belief.situation import Finding, Situation
from diagnose.errors import UnitError, ValueOutOfRangeError
from diagnose.faults.outcomes import limits_of, outcome_chances, spread_of
from diagnose.faults.readings import (
    HIGH_OHMS,
    LOW_OHMS,
    check_reading,
    outcome_of,
    parse_reading,
    reading_likelihood,
)
from diagnose.machine.model import OPEN_OHMS
from tests.belief.enumeration import densities_by_hand
from tests.faults.machines import NAMES, shipped, singles

if TYPE_CHECKING:
    from diagnose.machine.model import Test

VEHICLE = "utility_vehicle"


def by_id(test: str) -> Test:
    return shipped(VEHICLE).machine.tests[test]


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
def test_numbers_with_their_units(test: str, text: str, value: float) -> None:
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
def test_a_wrong_unit_or_no_number_is_refused(test: str, text: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_reading(by_id(test), text)
    assert caught.value.place == test


def test_a_number_out_of_range_is_refused_with_the_range() -> None:
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


def test_infinite_ohms_are_an_open_circuit() -> None:
    test = by_id("main_fuse_ohms")
    assert check_reading(test, math.inf) == OPEN_OHMS
    assert outcome_of(test, math.inf) == outcome_of(test, OPEN_OHMS)
    with pytest.raises(ValueOutOfRangeError):
        check_reading(by_id("battery_rest"), math.inf)


def measured(name: str) -> list[tuple[Test, np.ndarray]]:
    """Tests that give a number, with the different readings of single faults."""
    known = shipped(name)
    return [
        (test, np.unique(singles(name)[:, known.behaviour.column_of(test)], axis=0))
        for test in known.machine.tests.values()
        if test.unit is not None
    ]


@pytest.mark.parametrize("name", NAMES)
def test_outcome_of_a_limit_is_the_outcome_above_it(name: str) -> None:
    """`at_least` means at least."""
    for test, _ in measured(name):
        for outcome in test.outcomes:
            if outcome.at_least is not None:
                assert outcome_of(test, outcome.at_least) == outcome.id
                assert outcome_of(test, outcome.at_least - 1e-9) != outcome.id


@pytest.mark.parametrize("name", NAMES)
def test_densities_against_scipy(name: str) -> None:
    for test, values in measured(name):
        low, high = (LOW_OHMS, HIGH_OHMS) if test.kind == "ohms" else (test.low, test.high)
        for reading in np.linspace(low, high, 7).tolist():
            wanted, _ = densities_by_hand(test, reading, values)
            found = reading_likelihood(test, reading, values)
            np.testing.assert_allclose(found, wanted, rtol=1e-9, err_msg=test.id)


def density(test: Test, grid: np.ndarray, values: np.ndarray) -> np.ndarray:
    """(grid, readings)."""
    return np.array([reading_likelihood(test, float(at), values) for at in grid])


def grid_around(test: Test, values: np.ndarray) -> np.ndarray:
    """Readings from far below to far above, close together around both values of a reading."""
    spread = np.maximum(spread_of(test, values), 1e-6).ravel()
    steps = np.concatenate([np.linspace(-60.0, 60.0, 25), np.linspace(-6.0, 6.0, 73)])
    return np.unique(values.ravel()[:, None] + spread[:, None] * steps)


@pytest.mark.parametrize("name", NAMES)
def test_likelihood_integrates_to_one(name: str) -> None:
    """Over all readings, also those outside the range, where only the normal's tail is; for ohms
    over their logarithm, within the reach of the meter, where the bounds cut half of a bell off."""
    for test, read in measured(name):
        different = read[(read > -1e6).all(axis=1)]  # the others cannot be measured
        values = different[:: max(len(different) // 3, 1)]
        if test.kind == "ohms":
            grid = np.linspace(math.log(LOW_OHMS), math.log(HIGH_OHMS), 600)
            total = np.trapezoid(density(test, np.exp(grid), values), grid, axis=0)
            assert (total >= 0.45).all()
            assert (total <= 1.0 + 1e-3).all()
            continue
        slip = test.slip_percent / 100.0
        grid = grid_around(test, values)
        inside = density(test, grid, values) - slip / (test.high - test.low)
        total = np.trapezoid(inside, grid, axis=0)
        np.testing.assert_allclose(total, 1.0 - slip, rtol=5e-3, err_msg=test.id)


@pytest.mark.parametrize("name", NAMES)
def test_density_summed_over_an_outcome_is_the_outcomes_probability(name: str) -> None:
    """For steady readings, slips aside: those of a number lie anywhere in its range, those of an
    outcome on any outcome."""
    compared = 0
    for test, different in measured(name):
        if test.kind == "ohms":
            continue
        there = (different > -1e6).all(axis=1)  # where the machine does not get so far: -1e6
        steady = different[there & (np.abs(different[:, 0] - different[:, 1]) < 1e-9)]
        values = steady[:: max(len(steady) // 4, 1)]
        slip = test.slip_percent / 100.0
        chances = outcome_chances(test, values) - slip / len(test.outcomes)
        limits = limits_of(test)
        grid = np.unique(np.concatenate([grid_around(test, values), limits]))
        inside = density(test, grid, values) - slip / (test.high - test.low)
        for k in range(len(limits) + 1):
            above = limits[k] if k < len(limits) else -np.inf
            below = limits[k - 1] if k else np.inf
            own = (grid >= above) & (grid <= below)
            total = np.trapezoid(inside[own], grid[own], axis=0)
            np.testing.assert_allclose(total, chances[:, k], atol=0.01, err_msg=test.id)
            compared += len(values)
    # a mower without a battery has nothing for a voltmeter
    assert (compared > 60) == any(test.kind == "volts" for test, _ in measured(name))


@pytest.mark.parametrize("name", NAMES)
def test_a_reading_like_the_good_one_speaks_against_what_reads_elsewhere(name: str) -> None:
    """Reading what an all-good circuit gives is less likely by half with every fault that alone
    would read ten spreads and more away."""
    known, compared = shipped(name), 0
    for test in known.machine.tests.values():
        values = (
            singles(name)[:, known.behaviour.column_of(test)] if test.unit else np.zeros((1, 2))
        )
        good = values[-1]
        if test.kind == "ohms" or good[0] != good[1] or not test.low <= good[0] <= test.high:
            continue
        if test.unit is None:
            continue
        spread = test.spread + test.spread_percent / 100.0 * abs(good[0])
        far = (np.abs(values - good[0]) > 10.0 * spread).all(axis=1)
        likely = reading_likelihood(test, float(good[0]), values)
        assert (likely[far] < 0.5 * likely[-1]).all(), test.id
        compared += int(far.sum())
    metered = any(test.kind == "volts" for test in known.machine.tests.values())
    assert (compared > 100) == metered


def believed(complaint: str, *findings: Finding) -> dict[tuple[str, str], float]:
    known = shipped(VEHICLE)
    faults = known.belief(Situation(complaint, findings)).survey.faults
    return dict(zip(known.faults, faults.tolist(), strict=True))


def test_a_good_battery_reading_clears_the_battery() -> None:
    column = shipped(VEHICLE).behaviour.column["battery_rest"]
    good = float(singles(VEHICLE)[-1, column, 0])

    def bad(*findings: Finding) -> float:
        faults = believed("silent", *findings).items()
        return sum(p for (part, _), p in faults if part in ("battery", "charge"))

    test = by_id("battery_rest")
    assert bad(Finding("battery_rest", outcome_of(test, good), good)) < bad()
    assert bad(Finding("battery_rest", outcome_of(test, 10.5), 10.5)) > 0.9  # one cell dead


@pytest.mark.parametrize(
    ("complaint", "test", "value"),
    [
        ("cranks_no_start", "pump_volts", 0.0),
        ("silent", "coil_ground_volts", 11.9),
        ("silent", "start_button_ohms", 1e6),
        ("dead", "main_fuse_ohms", 1e6),
        ("dead", "key_out_volts", 0.0),
    ],
)
def test_a_reading_in_the_middle_of_an_outcome_says_what_the_outcome_says(
    complaint: str, test: str, value: float
) -> None:
    """Where all faults that give an outcome read alike, and steadily. The number still tells a
    little more than the word: total variation over the suspects at most 0.2, and the same suspect
    on top."""
    word = outcome_of(by_id(test), value)
    number = np.array([*believed(complaint, Finding(test, word, value)).values()])
    spoken = np.array([*believed(complaint, Finding(test, word)).values()])
    assert 0.5 * np.abs(number / number.sum() - spoken / spoken.sum()).sum() <= 0.2
    assert number.argmax() == spoken.argmax()
