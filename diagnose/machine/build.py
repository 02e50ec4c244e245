"""From a checked machine file to the frozen machine; the dictionaries fill what it leaves out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnose.machine.build_tests import build_test
from diagnose.machine.dictionary import DICTIONARY_VOLTS, filled, part_kinds, part_values
from diagnose.machine.frozen import frozen
from diagnose.machine.model import ALL_OF_LEVELS, RELAY_LEVELS, Function, Machine, Mode, Part

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.machine.entries import Entry
    from diagnose.machine.entries_of_tests import AnyFunction
    from diagnose.machine.schema import CauseEntry, MachineFile, RaiseEntry

AS_WRITTEN = ("areas", "cautions", "tools", "conditions", "complaints")
"""Sections whose entries say all that the machine says."""


def build_machine(file: MachineFile, content_hash: str) -> Machine:
    """The frozen machine that a file without problems describes."""
    functions = {id_: build_function(id_, entry, file) for id_, entry in file.functions.items()}
    parts = {id_: build_part(id_, file, functions) for id_ in file.parts}
    as_written = {
        section: {id_: _plain(entry, id=id_) for id_, entry in getattr(file, section).items()}
        for section in AS_WRITTEN
    }
    made = {
        "unlisted_per_1000": file.machine.unlisted_per_1000_jobs,
        "shop": _plain(file.shop),
        "nets": file.nets,
        "parts": parts,
        "shared_causes": {i: _cause(i, c, parts) for i, c in file.shared_causes.items()},
        "functions": functions,
        "tests": {id_: build_test(id_, file, functions) for id_ in file.tests},
        "content_hash": content_hash,
    }
    return frozen(Machine, {**_plain(file.machine), **as_written, **made})


def _plain(entry: Entry, **more: Any) -> dict[str, Any]:
    """What an entry says; the source may be missing in the file, but not in the machine."""
    data = dict(entry)
    return data | {"source": data.get("source") or ""} | more


def build_function(id_: str, entry: AnyFunction, file: MachineFile) -> Function:
    """One function; its title is the part's when it has none of its own."""
    usual: dict[str, Any] = {"part": None, "condition": None, "needs": {}}
    if entry.kind == "all_of":
        title = entry.title or id_.replace("_", " ")
        levels: Any = [(name, None) for name in ALL_OF_LEVELS]
    else:
        title = entry.title or file.parts[entry.part].title
        if entry.kind == "relay":
            levels = [(name, None) for name in RELAY_LEVELS]
        else:
            levels = [(name, level.at_least_volts) for name, level in entry.levels.items()]
    levels = [{"id": name, "at_least_volts": volts} for name, volts in levels]
    return frozen(Function, usual | _plain(entry, id=id_, title=title, levels=levels))


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
        dict(repair)
        | {
            "id": name,
            "fixes": repair.fixes or list(entry.modes),
            "source": repair.source or values["source"],
        }
        for name, repair in entry.repairs.items()
    ]
    own = {"id": id_, "area": entry.area, "terminals": entry.terminals}
    return frozen(Part, values | own | {"modes": modes, "repairs": repairs})


def _cause(id_: str, entry: CauseEntry, parts: Mapping[str, Part]) -> dict[str, Any]:
    raises = [raised for item in entry.raises for raised in _raises(item, parts)]
    per_1000, modes = entry.per_1000_jobs or 0.0, entry.modes or ()
    return _plain(entry, id=id_, per_1000_jobs=per_1000, modes=modes, raises=raises)


def _raises(item: RaiseEntry, parts: Mapping[str, Part]) -> Iterator[dict[str, Any]]:
    for name in item.reached(parts):
        modes = [mode for mode in item.modes if mode in parts[name].modes]
        if modes:
            yield {"part": name, "modes": modes, "factor": item.factor}
