"""A number on a meter as evidence: how likely it is, given what is there.

The likelihood is a normal density around the value that is there, as wide as the meter's spread,
mixed over the two values of an unsteady circuit, with a floor for slips (wrong pin, misread) that
is spread over the whole range. Ohms span eight decades and are compared by their logarithm.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import UnitError, ValueOutOfRangeError
from diagnose.faults.normal import normal_pdf
from diagnose.faults.outcomes import CANNOT, FIRST_OF_TWO, bin_of, spread_of
from diagnose.machine.model import OPEN_OHMS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.machine.model import Test

HIGH_OHMS = 1e4
"""Above this every resistance is simply open."""

LOW_OHMS = 0.05
"""Below this leads and clips decide what an ohmmeter shows."""

LEAST_RELATIVE_SPREAD = 0.05
"""Ohmmeters and temperature agree no better than this, as a part of the reading. Estimate."""

PREFIXES = {"": 1.0, "m": 1e-3, "k": 1e3, "M": 1e6}
SPELLINGS = {
    "V": "V",
    "v": "V",
    "volt": "V",
    "volts": "V",
    "A": "A",
    "amp": "A",
    "amps": "A",
    "ohm": "ohm",
    "ohms": "ohm",
    "Ohm": "ohm",
    "\N{GREEK CAPITAL LETTER OMEGA}": "ohm",
    "\N{OHM SIGN}": "ohm",
}
_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*")


def parse_reading(test: Test, text: str) -> float:
    """The number in a text like `12.3V`, `85 mV`, `0.4 ohm` or `12.3`, in the test's unit.

    Raises:
        UnitError: the test takes no number, no number can be read, or the unit is another.
    """
    if test.unit is None:
        raise UnitError(test.id, text, ())
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise UnitError(test.id, text, (f"a number in {test.unit}",))
    value, unit = float(found[1]), found[2]
    if not unit:
        return value
    for prefix, factor in PREFIXES.items():
        if unit.startswith(prefix) and SPELLINGS.get(unit[len(prefix) :].strip()) == test.unit:
            return value * factor
    raise UnitError(test.id, text, (f"a number in {test.unit}",))


def check_reading(test: Test, value: float) -> float:
    """The value itself; an open circuit (infinite ohms) becomes the highest resistance.

    Raises:
        UnitError: the test takes no number, or it is not one.
        ValueOutOfRangeError: no meter would show this here.
    """
    if test.unit is None or math.isnan(value):
        raise UnitError(test.id, f"{value}", () if test.unit is None else (f"a {test.unit}",))
    if test.kind == "ohms" and value == math.inf:
        return OPEN_OHMS
    if not test.low <= value <= test.high:
        raise ValueOutOfRangeError(test.id, value, test.low, test.high, test.unit)
    return value


def outcome_of(test: Test, value: float) -> str:
    """The outcome that a reading stands for."""
    return test.outcomes[int(bin_of(test, np.array(value)))].id


def reading_likelihood(
    test: Test, reading: float, values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Density of a reading where the instrument would see these values.

    Args:
        test: the test, with its spread, range and slips.
        reading: what was read, in the test's unit.
        values: (..., 2) what is there, as `Behaviour.readings` gives it.

    Returns:
        (...) density, per unit of the reading (per unit of its logarithm for ohms).
    """
    mean, at = values, reading
    if test.kind == "ohms":
        mean = np.clip(values, LOW_OHMS, HIGH_OHMS)
    spread = np.maximum(spread_of(test, mean), 1e-6)
    if test.kind == "ohms":
        spread = np.clip(spread / mean, LEAST_RELATIVE_SPREAD, 1.0)
        mean = np.log(mean)
        at = math.log(min(max(reading, LOW_OHMS), HIGH_OHMS))
    density = np.where(values <= CANNOT, 0.0, normal_pdf(at, mean, spread))
    mixed = FIRST_OF_TWO * density[..., 0] + (1.0 - FIRST_OF_TWO) * density[..., 1]
    slip = test.slip_percent / 100.0
    found: NDArray[np.float64] = (1.0 - slip) * mixed + slip * slip_density(test)
    return found


def slip_density(test: Test) -> float:
    """Density of a reading that is a slip: the same all over the range."""
    if test.kind == "ohms":
        return 1.0 / (math.log(HIGH_OHMS) - math.log(LOW_OHMS))
    return 1.0 / (test.high - test.low)
