"""Resistance and colour of fuses, from the table in the reference data."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources

HEAVY_FUSE_VOLTS = 0.06
"""Drop at rated current of fuses outside the table (strip and bolt-in fuses); estimate."""


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
