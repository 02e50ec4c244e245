"""From a checked machine file to the frozen machine; the dictionaries fill what it leaves out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.build_parts import build_part
from diagnose.machine.build_tests import build_test
from diagnose.machine.entries_of_tests import AllOfFunction, RelayFunction
from diagnose.machine.model import (
    Area,
    Caution,
    Complaint,
    Condition,
    Function,
    Level,
    Machine,
    Raise,
    SharedCause,
    Shop,
    Tool,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.entries_of_tests import AnyFunction
    from diagnose.machine.model import Part
    from diagnose.machine.schema import CauseEntry, MachineFile, RaiseEntry

RELAY_LEVELS = ("pulls_in", "chatters", "silent")
ALL_OF_LEVELS = ("yes", "no")


def build_machine(file: MachineFile, content_hash: str) -> Machine:
    """The frozen machine that a file without problems describes."""
    functions = {id_: build_function(id_, entry, file) for id_, entry in file.functions.items()}
    parts = {id_: build_part(id_, file, functions) for id_ in file.parts}
    head = file.machine
    return Machine(
        id=head.id,
        title=head.title,
        version=head.version,
        notes=head.notes,
        nominal_volts=float(head.nominal_volts),
        frame_net=head.frame_net,
        unlisted_per_1000=float(head.unlisted_per_1000_jobs),
        shop=_shop(file),
        nets=dict(file.nets),
        areas=_areas(file),
        cautions={i: Caution(i, c.text, c.source) for i, c in file.cautions.items()},
        tools={i: Tool(i, t.title) for i, t in file.tools.items()},
        conditions={
            i: Condition(i, c.title, tuple(c.closes), tuple(c.running))
            for i, c in file.conditions.items()
        },
        parts=parts,
        shared_causes={i: _cause(i, c, parts) for i, c in file.shared_causes.items()},
        functions=functions,
        complaints={
            i: Complaint(i, c.title, _levels(c.says), c.source or "")
            for i, c in file.complaints.items()
        },
        tests={i: build_test(i, file, functions) for i in file.tests},
        content_hash=content_hash,
    )


def _levels(says: Mapping[str, list[str]]) -> dict[str, tuple[str, ...]]:
    return {function: tuple(levels) for function, levels in says.items()}


def _shop(file: MachineFile) -> Shop:
    shop = file.shop
    return Shop(
        labour_eur_per_hour=float(shop.labour_eur_per_hour),
        check_minutes=float(shop.check_minutes),
        new_part_bad_per_1000=float(shop.new_part_bad_per_1000),
        escalate_minutes=float(shop.escalate_minutes),
        good_part_minutes=float(shop.good_part_minutes),
        source=shop.source or "",
    )


def _areas(file: MachineFile) -> dict[str, Area]:
    return {
        i: Area(i, a.title, float(a.open_minutes), float(a.close_minutes), a.inside, a.source or "")
        for i, a in file.areas.items()
    }


def build_function(id_: str, entry: AnyFunction, file: MachineFile) -> Function:
    """One function; its title is the part's when it has none of its own."""
    if isinstance(entry, AllOfFunction):
        return Function(
            id=id_,
            title=entry.title or id_.replace("_", " "),
            kind="all_of",
            part=None,
            condition=None,
            levels=tuple(Level(name, None) for name in ALL_OF_LEVELS),
            needs=_levels(entry.needs),
            source=entry.source or "",
        )
    if isinstance(entry, RelayFunction):
        levels = tuple(Level(name, None) for name in RELAY_LEVELS)
    else:
        levels = tuple(
            Level(name, None if level.at_least_volts is None else float(level.at_least_volts))
            for name, level in entry.levels.items()
        )
    return Function(
        id=id_,
        title=entry.title or file.parts[entry.part].title,
        kind=entry.kind,
        part=entry.part,
        condition=entry.condition,
        levels=levels,
        needs={},
        source=entry.source or "",
    )


def _cause(id_: str, entry: CauseEntry, parts: Mapping[str, Part]) -> SharedCause:
    raises = [one for item in entry.raises for one in _raises(item, parts)]
    return SharedCause(
        id=id_,
        title=entry.title,
        per_1000_jobs=float(entry.per_1000_jobs or 0.0),
        raises=tuple(raises),
        source=entry.source or "",
        part=entry.part,
        modes=tuple(entry.modes or ()),
    )


def _raises(item: RaiseEntry, parts: Mapping[str, Part]) -> list[Raise]:
    if item.parts is not None:
        named = list(item.parts)
    else:
        named = [
            part.id
            for part in parts.values()
            if part.kind == item.kind and (item.areas is None or part.area in item.areas)
        ]
    found = [(name, tuple(m for m in item.modes if m in parts[name].modes)) for name in named]
    return [Raise(name, modes, float(item.factor)) for name, modes in found if modes]
