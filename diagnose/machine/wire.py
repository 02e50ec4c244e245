"""Resistance of copper wire from its size and length."""

from __future__ import annotations

import math

COPPER_OHM_MM2_PER_M = 0.017241
"""Resistivity of annealed copper at 20 C. Source: IACS, IEC 60028."""

COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of copper's resistance at 20 C. Source: IEC 60028, from memory."""


def awg_diameter_mm(awg: int) -> float:
    """Diameter in mm of a solid wire of American gauge `awg` (0 is 1/0, -1 is 2/0 ...).

    Source: ASTM B258, `d = 0.127 * 92 ** ((36 - n) / 39)` mm.
    """
    return float(0.127 * 92.0 ** ((36 - awg) / 39))


def awg_mm2(awg: int) -> float:
    """Cross-section in mm2 of American gauge `awg`."""
    return math.pi / 4.0 * awg_diameter_mm(awg) ** 2


def wire_ohms(mm2: float, metres: float) -> float:
    """Resistance in ohms at 20 C of `metres` of copper with a cross-section of `mm2`."""
    return COPPER_OHM_MM2_PER_M * metres / mm2


def ohms_at_celsius(ohms_at_20: float, celsius: float) -> float:
    """Resistance in ohms of copper at a temperature, from its resistance at 20 C.

    Source: `R = R20 * (1 + 0.00393 * (t - 20))`, IEC 60028.
    """
    return ohms_at_20 * (1.0 + COPPER_PER_KELVIN * (celsius - 20.0))
