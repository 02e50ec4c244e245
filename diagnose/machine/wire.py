"""Resistance of copper wire from its size and length, and of fuses from their rating."""

from __future__ import annotations

import csv
import math
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

COPPER_OHM_MM2_PER_M = 0.017241
"""Resistivity of annealed copper at 20 C. Source: IACS, IEC 60028."""

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
    """Resistance in ohms at 20 C of `metres` of solid copper with a cross-section of `mm2`."""
    return COPPER_OHM_MM2_PER_M * metres / mm2


def cable_ohms(mm2: float, metres: float) -> float:
    """The same of a flexible cable sold by `mm2`: what the standard's table says.

    Sizes between those of the table have the share more than solid copper that all of it has.
    """
    per_km = metric_cables().get(mm2)
    if per_km is not None:
        return per_km / 1000.0 * metres
    more = [ohms / 1000.0 / wire_ohms(size, 1.0) for size, ohms in metric_cables().items()]
    return sum(more) / len(more) * wire_ohms(mm2, metres)


@cache
def metric_cables() -> Mapping[float, float]:
    """Cross-section of each metric cable of the reference data -> ohms per km."""
    rows = (row for row in _table("wire_sizes.csv") if row["system"] == "mm2")
    return MappingProxyType({float(row["size"]): float(row["ohms_per_km"]) for row in rows})


@cache
def blade_fuses() -> Mapping[float, float]:
    """Amps of each blade fuse of the reference data -> its ohms when cold."""
    rows = _table("fuses.csv")
    return MappingProxyType({float(row["amps"]): float(row["ohms"]) for row in rows})


def _table(name: str) -> list[dict[str, str]]:
    text = resources.files("diagnose.datasets").joinpath(name).read_text("utf-8")
    return list(csv.DictReader(text.splitlines()))


def fuse_ohms(amps: float) -> float:
    """Cold resistance in ohms of a fuse rated `amps`; outside the table 0.06 V / amps."""
    return blade_fuses().get(amps, HEAVY_FUSE_VOLTS / amps)
