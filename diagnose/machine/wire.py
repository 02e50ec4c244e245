"""Resistance of copper wire from its size and length, and of fuses from their rating."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from functools import cache
from importlib import resources

COPPER_OHM_MM2_PER_M = 0.017241
"""Resistivity of annealed copper at 20 C. Source: IACS, IEC 60028."""

COPPER_PER_KELVIN = 0.00393
"""Temperature coefficient of copper's resistance at 20 C. Source: IEC 60028, from memory."""

HEAVY_FUSE_VOLTS = 0.06
"""Drop at rated current of fuses outside the table (strip and bolt-in fuses); estimate."""


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


@dataclass(frozen=True, slots=True)
class FuseRow:
    """One rating of regular blade fuse: amps, colour of the body, ohms when cold, source."""

    amps: float
    colour: str
    ohms: float
    source: str


@cache
def fuse_table() -> tuple[FuseRow, ...]:
    """The blade fuses of the reference data, by rising rating."""
    text = resources.files("diagnose.datasets").joinpath("fuses.csv").read_text("utf-8")
    rows = csv.DictReader(text.splitlines())
    return tuple(
        FuseRow(float(row["amps"]), row["colour"], float(row["ohms"]), row["source"])
        for row in rows
    )


def fuse_ohms(amps: float) -> float:
    """Cold resistance in ohms of a fuse rated `amps`; outside the table 0.06 V / amps."""
    for row in fuse_table():
        if row.amps == amps:
            return row.ohms
    return HEAVY_FUSE_VOLTS / amps


def fuse_colour(amps: float) -> str | None:
    """Colour of a regular or mini blade fuse rated `amps`, None when it is not a blade size."""
    return next((row.colour for row in fuse_table() if row.amps == amps), None)
