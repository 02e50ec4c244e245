"""Resistance of wires and fuses against handbook tables."""

from __future__ import annotations

import csv
from importlib import resources
from itertools import pairwise

import pytest

from diagnose.machine.wire import (
    awg_diameter_mm,
    awg_mm2,
    cable_ohms,
    fuse_ohms,
    wire_ohms,
)

# HyperPhysics wire table: milliohm per metre at 20 C
HYPERPHYSICS = {
    20: 33.3,
    18: 20.95,
    16: 13.18,
    14: 8.28,
    12: 5.21,
    10: 3.28,
    8: 2.06,
    6: 1.30,
    4: 0.815,
    2: 0.513,
    0: 0.323,
}

# IEC 60228 class 5 (flexible, plain copper): mm2 -> maximum milliohm per metre at 20 C
IEC_60228_CLASS_5 = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4: 4.95,
    6: 3.30,
    10: 1.91,
    16: 1.21,
    25: 0.780,
    35: 0.554,
}

# ISO 6722-1, from memory: mm2 -> maximum milliohm per metre at 20 C
ISO_6722_1 = {
    0.5: 37.1,
    0.75: 24.7,
    1.0: 18.5,
    1.5: 12.7,
    2.5: 7.60,
    4: 4.71,
    6: 3.14,
    10: 1.82,
    16: 1.16,
    25: 0.743,
}


@pytest.mark.parametrize(("awg", "milliohm"), HYPERPHYSICS.items())
def test_gauge_against_the_wire_table(awg: int, milliohm: float) -> None:
    assert wire_ohms(awg_mm2(awg), 1.0) * 1000 == pytest.approx(milliohm, rel=5e-3)


def test_gauge_is_fixed_at_two_diameters() -> None:
    # ASTM B258: gauge 36 is 0.0050 inch, gauge 4/0 is 0.4600 inch; 1 inch is 25.4 mm
    assert awg_diameter_mm(36) == pytest.approx(0.0050 * 25.4, rel=1e-12)
    assert awg_diameter_mm(-3) == pytest.approx(0.4600 * 25.4, rel=1e-12)


@pytest.mark.parametrize("table", [IEC_60228_CLASS_5, ISO_6722_1], ids=["iec_60228", "iso_6722"])
def test_cross_section_against_the_maxima_of_the_standards(table: dict[float, float]) -> None:
    # strands are laid up longer than the wire and the section is nominal: the maxima lie above
    for mm2, most in table.items():
        ours = wire_ohms(mm2, 1.0) * 1000
        assert 0.85 * most < ours <= most


@pytest.mark.parametrize(("mm2", "milliohm"), IEC_60228_CLASS_5.items())
def test_a_metric_cable_has_what_the_standard_says(mm2: float, milliohm: float) -> None:
    assert cable_ohms(mm2, 1.0) * 1000 == pytest.approx(milliohm, rel=1e-12)


def test_a_metric_cable_between_two_sizes_lies_between_them() -> None:
    sizes = sorted(IEC_60228_CLASS_5)
    for low, high in pairwise(sizes):
        ours = cable_ohms((low + high) / 2.0, 1.0) * 1000
        assert IEC_60228_CLASS_5[high] < ours < IEC_60228_CLASS_5[low]


def test_resistance_is_proportional_to_length() -> None:
    assert wire_ohms(2.5, 6.0) == pytest.approx(3 * wire_ohms(2.5, 2.0))


def table(name: str) -> list[dict[str, str]]:
    text = resources.files("diagnose.datasets").joinpath(name).read_text("utf-8")
    return list(csv.DictReader(text.splitlines()))


def test_reference_table_agrees_with_the_handbooks() -> None:
    rows = table("wire_sizes.csv")
    shipped = {(r["system"], float(r["size"])): float(r["ohms_per_km"]) for r in rows}
    expected = {("awg", float(k)): v for k, v in HYPERPHYSICS.items()}
    expected |= {("mm2", float(k)): v for k, v in IEC_60228_CLASS_5.items()}
    assert shipped == expected
    assert all(row["source"] for row in rows)


@pytest.mark.parametrize(
    ("amps", "colour"),
    # ISO 8820-3 and SAE J1284; 25 A clear from memory
    [
        (5, "tan"),
        (7.5, "brown"),
        (10, "red"),
        (15, "blue"),
        (20, "yellow"),
        (25, "clear"),
        (30, "green"),
    ],
)
def test_colours_of_blade_fuses(amps: float, colour: str) -> None:
    (row,) = (row for row in table("fuses.csv") if float(row["amps"]) == amps)
    assert row["colour"] == colour


def test_ohms_of_fuses() -> None:
    assert fuse_ohms(10) == pytest.approx(0.0077)  # data sheet of a regular 10 A blade
    rows = table("fuses.csv")
    ohms = {float(row["amps"]): float(row["ohms"]) for row in rows}
    assert list(ohms.values()) == sorted(ohms.values(), reverse=True)
    assert all(row["source"] for row in rows)
    assert all(fuse_ohms(amps) == value for amps, value in ohms.items())
    # at its rating a blade fuse drops some 50 to 100 mV (data sheets, from memory)
    assert all(0.05 <= amps * value <= 0.1 for amps, value in ohms.items())


def test_heavy_fuses_are_no_blades() -> None:
    assert fuse_ohms(100) == pytest.approx(0.0006)
