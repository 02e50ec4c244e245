"""What the cold does to a battery's volts.

A machine file's limits hold at 20 degrees Celsius. A reading taken in a cold barn is brought to
that temperature before it is compared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import ValueOutOfRangeError
from diagnose.machine.ends import posts

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Test

REFERENCE_CELSIUS = 20.0
LOWEST_CELSIUS, HIGHEST_CELSIUS = -40.0, 60.0

LOAD_TEST_CELSIUS = (-18.0, -12.0, -7.0, -1.0, 4.0, 10.0, 16.0, 20.0)
LOAD_TEST_VOLTS = (8.5, 8.7, 8.9, 9.1, 9.3, 9.4, 9.5, 9.6)
"""Least volts of a good 12 V battery after 15 s at half its cold-cranking amps, by temperature
(several makers' service manuals agree on these)."""

REST_VOLTS_PER_KELVIN = 0.0013
"""Rested volts of a 12 V lead-acid battery per kelvin: about 0.2 mV per cell. From memory."""


def check_celsius(celsius: float) -> float:
    """The temperature itself.

    Raises:
        ValueOutOfRangeError: no barn is that cold or hot.
    """
    if not LOWEST_CELSIUS <= celsius <= HIGHEST_CELSIUS:
        raise ValueOutOfRangeError(
            "temperature_celsius", celsius, LOWEST_CELSIUS, HIGHEST_CELSIUS, "C"
        )
    return celsius


def volts_to_add(machine: Machine, test: Test, celsius: float) -> float:
    """What to add to a reading so that it can be compared with limits for 20 degrees.

    Args:
        machine: gives the nominal voltage the tables are scaled to.
        test: only load tests, and volts across the battery's posts with nothing on, are affected.
        celsius: temperature of the battery.
    """
    scale = machine.nominal_volts / 12.0
    if test.kind == "load_test":
        least = float(np.interp(celsius, LOAD_TEST_CELSIUS, LOAD_TEST_VOLTS))
        return scale * (LOAD_TEST_VOLTS[-1] - least)
    if test.kind == "volts" and _at_rested_posts(machine, test):
        return scale * REST_VOLTS_PER_KELVIN * (REFERENCE_CELSIUS - celsius)
    return 0.0


def _at_rested_posts(machine: Machine, test: Test) -> bool:
    if test.condition is None or machine.conditions[test.condition].closes:
        return False
    batteries = [part.id for part in machine.parts.values() if part.kind == "battery"]
    return any(test.probes == posts(machine.parts, battery) for battery in batteries)
