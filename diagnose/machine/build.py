"""From a checked machine file to the frozen machine; the dictionaries fill what it leaves out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnose.machine.archive import frozen
from diagnose.machine.dictionary import (
    DICTIONARY_VOLTS,
    filled,
    part_kinds,
    part_values,
    scale_of,
    test_kinds,
    unsteady_title,
)
from diagnose.machine.ends import posts
from diagnose.machine.model import (
    ALL_OF_LEVELS,
    NOT_POSSIBLE,
    OTHER,
    RELAY_LEVELS,
    RUNS,
    Function,
    Machine,
    Mode,
    Outcome,
    Part,
    Test,
)
from diagnose.machine.units import with_units

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.machine.dictionary import TestDefaults
    from diagnose.machine.entries import AfterEntry, Entry
    from diagnose.machine.entries_of_tests import AnyFunction, AnyTest
    from diagnose.machine.schema import CauseEntry, MachineFile, RaiseEntry

AS_WRITTEN = ("areas", "cautions", "tools", "conditions", "complaints")
"""Sections whose entries say all that the machine says."""

UNSTEADY = "unsteady"
"""Outcome that electrical tests get beside those of the file."""

TITLES = {
    RUNS: "it starts and runs",
    OTHER: "it does something else",
    NOT_POSSIBLE: "cannot be done, the machine does not get that far",
}
"""Words for outcomes that no file lists."""


def build_machine(file: MachineFile, content_hash: str) -> Machine:
    """The frozen machine that a file without problems describes."""
    functions = {id_: build_function(id_, entry, file) for id_, entry in file.functions.items()}
    lowest: dict[str, int] = {}
    for function in functions.values():
        if function.part is not None:
            least = len(function.levels) - 1
            lowest[function.part] = max(least, lowest.get(function.part, 0))
    parts = with_units({id_: build_part(id_, file, lowest.get(id_, 0)) for id_ in file.parts})
    as_written = {
        section: {id_: _plain(entry, id=id_) for id_, entry in getattr(file, section).items()}
        for section in AS_WRITTEN
    }
    made = {
        "unlisted_per_1000": file.machine.unlisted_per_1000_jobs,
        "shop": _plain(file.shop),
        "nets": file.nets,
        "parts": parts,
        "works": file.works,
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


def build_part(id_: str, file: MachineFile, lowest: int) -> Part:
    """One part with all its modes, `ok` first, and its repairs.

    Args:
        id_: its name in the file.
        file: the file.
        lowest: the last level of the functions that go by this part; 0 when none does.
    """
    entry = file.parts[id_]
    values = part_values(entry, file.machine.nominal_volts)
    scale = scale_of(entry, file.machine.nominal_volts)
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
        | _after(repair.after)
        for name, repair in entry.repairs.items()
    ]
    own = {"id": id_, "area": entry.area, "terminals": entry.terminals}
    return frozen(Part, values | own | {"modes": modes, "repairs": repairs})


def _after(entry: AfterEntry | None) -> dict[str, Any]:
    """What is done before a repair, and when it need not be."""
    if entry is None:
        return {"after": None}
    return {"after": (entry.part, entry.repair), "unless": tuple(entry.unless or ())}


def _cause(id_: str, entry: CauseEntry, parts: Mapping[str, Part]) -> dict[str, Any]:
    raises = [raised for item in entry.raises for raised in _raises(item, parts)]
    per_1000, modes = entry.per_1000_jobs or 0.0, entry.modes or ()
    return _plain(entry, id=id_, per_1000_jobs=per_1000, modes=modes, raises=raises)


def _raises(item: RaiseEntry, parts: Mapping[str, Part]) -> Iterator[dict[str, Any]]:
    for name in item.reached(parts):
        modes = [mode for mode in item.modes if mode in parts[name].modes]
        if modes:
            yield {"part": name, "modes": modes, "factor": item.factor}


def watched_function(entry: AnyTest) -> str | None:
    """The function that a test listens to, looks at, or watches while bridging."""
    return getattr(entry, "function", None)


def parts_of(entry: AnyTest) -> tuple[str, ...]:
    """The parts that a test measures, clamps, looks at, moves, bridges or puts in anew."""
    return tuple(getattr(entry, "parts", None) or ())


def probes_of(entry: AnyTest, file: MachineFile) -> tuple[str, str] | None:
    """Nets between which a test measures, (red, black) or (tip, clip); None without probes."""
    if entry.kind == "load_test":
        return posts(file.parts, entry.parts[0])
    if entry.kind == "lamp":
        return entry.probes.tip, entry.probes.clip
    probes = getattr(entry, "probes", None)
    return None if probes is None else (probes.red, probes.black)


def quantity(entry: AnyTest) -> str:
    """What a test measures, as its keys name it."""
    return entry.kind if entry.kind in ("amps", "ohms") else "volts"


def own_bounds(outcomes: Mapping[str, Entry], measured: str) -> dict[str, float | None]:
    """Lower bound of each outcome that a file gives, in the test's unit."""
    return {name: getattr(one, f"at_least_{measured}") for name, one in outcomes.items()}


def build_test(id_: str, file: MachineFile, functions: Mapping[str, Function]) -> Test:
    """One test with outcomes, instrument and spread."""
    entry = file.tests[id_]
    usual = test_kinds()[entry.kind]
    nominal = file.machine.nominal_volts
    scale = nominal / DICTIONARY_VOLTS if usual.scales else 1.0
    values = filled(entry, usual, 1.0)
    watched = functions.get(watched_function(entry) or "")
    condition = entry.condition or (watched.condition if watched else None)
    outcomes = _tried(file) if entry.kind == "try" else _outcomes(entry, usual, watched, scale)
    if condition is not None and file.conditions[condition].needs and _in_circuit(entry):
        outcomes.append(Outcome(NOT_POSSIBLE, TITLES[NOT_POSSIBLE]))
    if usual.unsteady:
        outcomes.append(Outcome(UNSTEADY, unsteady_title()))
    values |= {
        "id": id_,
        "condition": condition,
        "area": entry.area,
        "outcomes": outcomes,
        "probes": probes_of(entry, file),
        "low": usual.low * scale,
        "high": usual.high * scale,
        "spread": values.get(f"spread_{quantity(entry)}", usual.spread * scale),
    }
    if entry.kind == "lamp":
        values["added_ohms"] = values["lamp_ohms"]
    elif entry.kind == "load_test":
        battery = file.parts[entry.parts[0]]
        values["added_ohms"] = scale_of(battery, nominal) * DICTIONARY_VOLTS / entry.amps
    return frozen(Test, values)


def _outcomes(
    entry: AnyTest, usual: TestDefaults, watched: Function | None, scale: float
) -> list[Outcome]:
    if watched is not None:
        return [Outcome(level.id, level.id.replace("_", " ")) for level in watched.levels]
    kinds = usual.outcomes
    if entry.kind == "look":
        kinds = usual.cause_outcomes if entry.cause else usual.parts_outcomes
    outcomes = [
        Outcome(name, kind.title, None if kind.at_least is None else kind.at_least * scale)
        for name, kind in kinds.items()
    ]
    own = getattr(entry, "outcomes", None)
    if own is not None:
        bounds = own_bounds(own, quantity(entry))
        unit = usual.unit or "V"
        outcomes = [
            Outcome(name, own[name].title or _range_title(bound, above, unit), bound)
            for above, (name, bound) in zip((None, *bounds.values()), bounds.items(), strict=False)
        ]
    return outcomes


def _in_circuit(entry: AnyTest) -> bool:
    """Whether a test is about the circuit as it stands in a condition, not about parts as such."""
    if entry.kind == "look":
        return entry.function is not None
    return entry.kind not in ("wiggle", "try")


def _tried(file: MachineFile) -> list[Outcome]:
    """What trying the machine can show."""
    seen = [Outcome(id_, entry.title) for id_, entry in file.complaints.items() if entry.on_trying]
    return [Outcome(RUNS, TITLES[RUNS]), *seen, Outcome(OTHER, TITLES[OTHER])]


def _range_title(bound: float | None, above: float | None, unit: str) -> str:
    if bound is not None and above is not None:
        return f"{bound:g} to {above:g} {unit}"
    if bound is not None:
        return f"{bound:g} {unit} or more"
    return "any reading" if above is None else f"below {above:g} {unit}"
