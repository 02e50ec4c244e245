"""The dictionaries of part kinds and test kinds, and the numbers that they fill in."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from diagnose.machine.archive import frozen
from diagnose.machine.document import read_document
from diagnose.machine.model import Effects
from diagnose.machine.wire import awg_mm2, cable_ohms, fuse_ohms, wire_ohms

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.entries import AnyPart, Entry, LoadEntry, MotorEntry, WireEntry

DICTIONARY_VOLTS = 12.0
"""Nominal volts that the dictionaries are written for."""


@dataclass(frozen=True, slots=True)
class ModeKind(Effects):
    """A failure mode of a kind of part.

    Attributes:
        ohms_factor: multiplies the part's own ohms; used when `ohms` is None.
        at_best: level index, or `"lowest"` for the last level of the part's function.
    """

    title: str
    source: str
    ohms_factor: float | None = None
    at_best: int | Literal["lowest"] = 0
    visible_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class PartDefaults:
    """What a kind of part is worth when the file does not say; volts are for 12 V machines."""

    main_path: tuple[str, ...]
    conducts: bool
    source: str
    modes: Mapping[str, ModeKind]
    ohms: float | None = None
    emf_volts: float = 0.0
    coil_ohms: float = 0.0
    contact_ohms: float | None = None
    pull_in_volts: float = 0.0
    drop_out_volts: float = 0.0
    supply_ohms: float = 0.0
    output_ohms: float | None = None
    drop_volts: float = 0.0


@dataclass(frozen=True, slots=True)
class OutcomeKind:
    """A default outcome: title, and lower bound in the test's unit (None: no bound)."""

    title: str
    at_least: float | None = None


@dataclass(frozen=True, slots=True)
class TestDefaults:
    """What a kind of test yields, and how exactly, when the file does not say."""

    __test__ = False

    tool: str
    slip_percent: float
    outcomes: Mapping[str, OutcomeKind]
    source: str
    unit: str | None = None
    scales: bool = False
    low: float = 0.0
    high: float = 0.0
    spread: float = 0.0
    spread_percent: float = 0.0
    lamp_ohms: float | None = None
    unsteady: bool = False
    parts_outcomes: Mapping[str, OutcomeKind] = field(default_factory=dict)
    cause_outcomes: Mapping[str, OutcomeKind] = field(default_factory=dict)


def _table(name: str) -> dict[str, Any]:
    text = resources.files("diagnose.datasets").joinpath(name).read_text("utf-8")
    data: dict[str, Any] = read_document(text).data
    return data


@cache
def part_kinds() -> Mapping[str, PartDefaults]:
    """Kind of part -> its defaults."""
    table = _table("part_kinds.yaml")
    return MappingProxyType({kind: frozen(PartDefaults, row) for kind, row in table.items()})


@cache
def test_kinds() -> Mapping[str, TestDefaults]:
    """Kind of test -> its defaults."""
    table = {kind: row for kind, row in _table("test_kinds.yaml").items() if kind != "unsteady"}
    return MappingProxyType({kind: frozen(TestDefaults, row) for kind, row in table.items()})


test_kinds.__test__ = False  # type: ignore[attr-defined]


@cache
def unsteady_title() -> str:
    """Words for the outcome seen when a loose joint comes and goes."""
    title: str = _table("test_kinds.yaml")["unsteady"]["title"]
    return title


def filled(
    entry: Entry, usual: PartDefaults | ModeKind | TestDefaults, scale: float
) -> dict[str, Any]:
    """What an entry says over what its dictionary says; the dictionary's volts times `scale`."""
    data = {item.name: getattr(usual, item.name) for item in fields(usual)}
    scaled = {
        name: value * scale
        for name, value in data.items()
        if name.endswith("_volts") and value is not None
    }
    given = {name: value for name, value in entry if value is not None}
    return data | scaled | {"source": ""} | given


def scale_of(entry: AnyPart, nominal_volts: float) -> float:
    """By what the dictionary's volts are multiplied for a part of a machine."""
    return (getattr(entry, "nominal_volts", None) or nominal_volts) / DICTIONARY_VOLTS


def part_values(entry: AnyPart, nominal_volts: float) -> dict[str, Any]:
    """The numbers of a good part under their names in `Part`: given, usual, or worked out.

    `ohms` is None for a load that does not say what it draws.
    """
    values = filled(entry, part_kinds()[entry.kind], scale_of(entry, nominal_volts))
    if entry.kind == "wire":
        mm2 = _wire_mm2(entry)
        ohms_of = wire_ohms if entry.mm2 is None else cable_ohms
        values |= {"wire_mm2": mm2, "ohms": ohms_of(mm2, entry.metres)}
    elif entry.kind == "fuse":
        values |= {"fuse_amps": entry.amps, "ohms": fuse_ohms(entry.amps)}
    elif entry.kind == "relay":
        closed = entry.contacts == "normally_closed"
        values |= {"ohms": values["contact_ohms"], "normally_closed": closed}
    elif entry.kind == "contacts":
        values["normally_closed"] = entry.contacts == "normally_closed"
    elif entry.kind == "diode":
        # What silicon drops does not grow with the machine's volts.
        values["emf_volts"] = entry.drop_volts or part_kinds()[entry.kind].drop_volts
    elif entry.kind == "controller":
        values |= {"ohms": values["output_ohms"], "coil_ohms": values["supply_ohms"]}
    elif entry.kind in ("load", "motor"):
        values["ohms"] = _load_ohms(entry, nominal_volts)
    return values


def _wire_mm2(entry: WireEntry) -> float:
    """Cross-section in mm2, whichever way the file gives the size."""
    if entry.mm2 is not None:
        return entry.mm2
    return awg_mm2(entry.awg) if entry.awg is not None else 0.0


def _load_ohms(entry: LoadEntry | MotorEntry, nominal_volts: float) -> float | None:
    if entry.kind == "load" and entry.watts is not None:
        return nominal_volts**2 / entry.watts
    return entry.ohms if entry.amps is None else nominal_volts / entry.amps
