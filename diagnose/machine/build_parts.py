"""From the parts of a machine file to frozen parts with every number filled in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.dictionary import part_kinds
from diagnose.machine.fuse import fuse_ohms
from diagnose.machine.model import Input, Mode, Part, Repair
from diagnose.machine.part_entries import (
    BatteryEntry,
    ControllerEntry,
    FuseEntry,
    GeneratorEntry,
    LoadEntry,
    MotorEntry,
    RelayEntry,
    WireEntry,
)
from diagnose.machine.wire import awg_mm2, wire_ohms

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.dictionary import ModeKind
    from diagnose.machine.model import Function
    from diagnose.machine.part_entries import AnyPart, ModeEntry, RepairEntry
    from diagnose.machine.schema import MachineFile

DICTIONARY_VOLTS = 12.0
"""Nominal volts that the dictionaries are written for."""


def wire_mm2(entry: WireEntry) -> float:
    """Cross-section in mm2, whichever way the file gives the size."""
    if entry.mm2 is not None:
        return float(entry.mm2)
    return awg_mm2(entry.awg) if entry.awg is not None else 0.0


def main_ohms(entry: AnyPart, nominal_volts: float) -> float:
    """Resistance in ohms of the part's main path when good."""
    default = part_kinds()[entry.kind]
    if isinstance(entry, WireEntry):
        return wire_ohms(wire_mm2(entry), float(entry.metres))
    if isinstance(entry, FuseEntry):
        return fuse_ohms(float(entry.amps))
    if isinstance(entry, RelayEntry):
        return float(entry.contact_ohms or default.contact_ohms or 0.0)
    if isinstance(entry, ControllerEntry):
        return float(entry.output_ohms or default.output_ohms or 0.0)
    if isinstance(entry, LoadEntry | MotorEntry):
        return _load_ohms(entry, nominal_volts)
    return float(entry.ohms or default.ohms or 0.0)


def _load_ohms(entry: LoadEntry | MotorEntry, nominal_volts: float) -> float:
    if isinstance(entry, LoadEntry) and entry.watts is not None:
        return nominal_volts**2 / float(entry.watts)
    if entry.amps is not None:
        return nominal_volts / float(entry.amps)
    return float(entry.ohms or 0.0)


def coil_ohms(entry: AnyPart) -> float:
    """Resistance in ohms of a relay's coil or a controller's supply; 0 for other kinds."""
    default = part_kinds()[entry.kind]
    if isinstance(entry, RelayEntry):
        return float(entry.coil_ohms or default.coil_ohms)
    if isinstance(entry, ControllerEntry):
        return float(entry.supply_ohms or default.supply_ohms)
    return 0.0


def relay_volts(entry: RelayEntry, nominal_volts: float) -> tuple[float, float]:
    """Pull-in and drop-out volts of a relay."""
    default = part_kinds()[entry.kind]
    scale = nominal_volts / DICTIONARY_VOLTS
    pull_in = entry.pull_in_volts or default.pull_in_volts * scale
    drop_out = entry.drop_out_volts or default.drop_out_volts * scale
    return float(pull_in), float(drop_out)


def build_part(id_: str, file: MachineFile, functions: Mapping[str, Function]) -> Part:
    """One part with all its modes, `ok` first, and its repairs."""
    entry = file.parts[id_]
    volts = float(file.machine.nominal_volts)
    source = entry.source or ""
    emf = 0.0
    if isinstance(entry, BatteryEntry | GeneratorEntry):
        emf = entry.emf_volts or part_kinds()[entry.kind].emf_volts * volts / DICTIONARY_VOLTS
    pull_in, drop_out = relay_volts(entry, volts) if isinstance(entry, RelayEntry) else (0.0, 0.0)
    return Part(
        id=id_,
        title=entry.title,
        kind=entry.kind,
        terminals=entry.terminals(),
        area=entry.area,
        ohms=main_ohms(entry, volts),
        modes=_modes(id_, file, functions),
        repairs=tuple(_repair(name, one, entry) for name, one in entry.repairs.items()),
        source=source,
        emf_volts=float(emf),
        fuse_amps=float(entry.amps) if isinstance(entry, FuseEntry) else None,
        wire_mm2=wire_mm2(entry) if isinstance(entry, WireEntry) else None,
        metres=float(entry.metres) if isinstance(entry, WireEntry) else None,
        coil_ohms=coil_ohms(entry),
        pull_in_volts=pull_in,
        drop_out_volts=drop_out,
        normally_closed=isinstance(entry, RelayEntry) and entry.contacts == "normally_closed",
        inputs=_inputs(entry) if isinstance(entry, ControllerEntry) else (),
        output_to=entry.output_to if isinstance(entry, ControllerEntry) else "supply",
        cold_cranking_amps=_optional(
            entry.cold_cranking_amps if isinstance(entry, BatteryEntry) else None
        ),
    )


def _optional(value: float | None) -> float | None:
    return None if value is None else float(value)


def _inputs(entry: ControllerEntry) -> tuple[Input, ...]:
    return tuple(
        Input(i.net, i.against, _optional(i.at_least_volts), _optional(i.below_volts))
        for i in entry.inputs
    )


def lowest_level(part: str, functions: Mapping[str, Function]) -> int:
    """Index of the last level among the functions that go by `part`; 0 when none does."""
    return max((len(f.levels) - 1 for f in functions.values() if f.part == part), default=0)


def _modes(id_: str, file: MachineFile, functions: Mapping[str, Function]) -> dict[str, Mode]:
    entry = file.parts[id_]
    volts = float(file.machine.nominal_volts)
    lowest = lowest_level(id_, functions)
    modes = {"ok": Mode("ok", "good", 0.0, entry.source or "")}
    for name, given in entry.modes.items():
        kind = part_kinds()[entry.kind].modes[name]
        modes[name] = _mode(name, entry, given, kind, volts, lowest)
    return modes


def _mode(
    name: str, entry: AnyPart, given: ModeEntry, kind: ModeKind, volts: float, lowest: int
) -> Mode:
    scale = volts / DICTIONARY_VOLTS
    ohms = given.ohms or kind.ohms
    if ohms is None and kind.ohms_factor is not None:
        ohms = main_ohms(entry, volts) * kind.ohms_factor
    at_best = kind.at_best if given.at_best is None else given.at_best
    visible = kind.visible_percent if given.visible_percent is None else given.visible_percent
    return Mode(
        id=name,
        title=given.title or kind.title,
        per_1000_jobs=float(given.per_1000_jobs),
        source=given.source or entry.source or "",
        ohms=_optional(ohms),
        open=kind.open,
        loose=kind.loose,
        short_ohms=_optional(given.short_ohms or kind.short_ohms),
        always_closed=kind.always_closed,
        never_closed=kind.never_closed,
        emf_volts=_optional(_given_or_scaled(given.emf_volts, kind.emf_volts, scale)),
        coil_ohms=_optional(given.coil_ohms or kind.coil_ohms),
        coil_open=kind.coil_open,
        pull_in_volts=_optional(_given_or_scaled(given.pull_in_volts, kind.pull_in_volts, scale)),
        at_best=lowest if at_best == "lowest" else min(int(at_best), max(lowest, 0)),
        visible=float(visible) / 100.0,
    )


def _given_or_scaled(given: float | None, default: float | None, scale: float) -> float | None:
    if given is not None or default is None:
        return given
    return default * scale


def _repair(name: str, given: RepairEntry, entry: AnyPart) -> Repair:
    return Repair(
        id=name,
        title=given.title,
        fixes=tuple(entry.modes if given.fixes is None else given.fixes),
        minutes=float(given.minutes),
        price_eur=float(given.price_eur),
        cautions=tuple(given.cautions),
        source=given.source or entry.source or "",
    )
