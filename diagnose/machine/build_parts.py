"""From the parts of a machine file to frozen parts with every number filled in."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

from diagnose.machine.dictionary import part_kinds
from diagnose.machine.frozen import frozen
from diagnose.machine.fuse import fuse_ohms
from diagnose.machine.model import Mode, Part
from diagnose.machine.wire import awg_mm2, wire_ohms

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.dictionary import ModeKind, PartDefaults, TestDefaults
    from diagnose.machine.entries import Entry
    from diagnose.machine.model import Function
    from diagnose.machine.part_entries import AnyPart, LoadEntry, MotorEntry, WireEntry
    from diagnose.machine.schema import MachineFile

DICTIONARY_VOLTS = 12.0
"""Nominal volts that the dictionaries are written for."""


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
    return data | scaled | {"source": ""} | entry.model_dump(exclude_none=True)


def part_values(entry: AnyPart, nominal_volts: float) -> dict[str, Any]:
    """The numbers of a good part under their names in `Part`: given, usual, or worked out.

    `ohms` is None for a load that does not say what it draws.
    """
    values = filled(entry, part_kinds()[entry.kind], nominal_volts / DICTIONARY_VOLTS)
    if entry.kind == "wire":
        mm2 = _wire_mm2(entry)
        values |= {"wire_mm2": mm2, "ohms": wire_ohms(mm2, entry.metres)}
    elif entry.kind == "fuse":
        values |= {"fuse_amps": entry.amps, "ohms": fuse_ohms(entry.amps)}
    elif entry.kind == "relay":
        closed = entry.contacts == "normally_closed"
        values |= {"ohms": values["contact_ohms"], "normally_closed": closed}
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


def build_part(id_: str, file: MachineFile, functions: Mapping[str, Function]) -> Part:
    """One part with all its modes, `ok` first, and its repairs."""
    entry = file.parts[id_]
    values = part_values(entry, file.machine.nominal_volts)
    # the last level of the functions that go by this part; 0 when none does
    lowest = max((len(f.levels) - 1 for f in functions.values() if f.part == id_), default=0)
    scale = file.machine.nominal_volts / DICTIONARY_VOLTS
    modes = {"ok": Mode("ok", "good", 0.0, values["source"])}
    for name, given in entry.modes.items():
        usual = part_kinds()[entry.kind].modes[name]
        mode = filled(given, usual, scale)
        if mode["ohms"] is None and usual.ohms_factor is not None:
            mode["ohms"] = values["ohms"] * usual.ohms_factor
        best = lowest if mode["at_best"] == "lowest" else min(mode["at_best"], lowest)
        mode |= {"id": name, "at_best": best, "visible": mode["visible_percent"] / 100.0}
        modes[name] = frozen(Mode, mode | {"source": given.source or values["source"]})
    repairs = [
        repair.model_dump()
        | {
            "id": name,
            "fixes": repair.fixes or list(entry.modes),
            "source": repair.source or values["source"],
        }
        for name, repair in entry.repairs.items()
    ]
    own = {"id": id_, "area": entry.area, "terminals": entry.terminals}
    return frozen(Part, values | own | {"modes": modes, "repairs": repairs})
