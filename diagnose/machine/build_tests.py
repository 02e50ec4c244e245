"""From the tests of a machine file to frozen tests with outcomes, range and spread filled in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.dictionary import DICTIONARY_VOLTS, filled, test_kinds, unsteady_title
from diagnose.machine.frozen import frozen
from diagnose.machine.model import Outcome, Test

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.dictionary import TestDefaults
    from diagnose.machine.entries import Entry
    from diagnose.machine.entries_of_tests import AnyTest
    from diagnose.machine.model import Function
    from diagnose.machine.schema import MachineFile

UNSTEADY = "unsteady"
"""Outcome that electrical tests get beside those of the file."""


def watched_function(entry: AnyTest) -> str | None:
    """The function that a test listens to, looks at, or watches while bridging."""
    return getattr(entry, "function", None)


def test_parts(entry: AnyTest) -> tuple[str, ...]:
    """The parts that a test measures, clamps, looks at, moves, bridges or puts in anew."""
    return tuple(getattr(entry, "parts", None) or ())


test_parts.__test__ = False  # type: ignore[attr-defined]


def test_probes(entry: AnyTest, file: MachineFile) -> tuple[str, str] | None:
    """Nets between which a test measures, (red, black) or (tip, clip); None without probes."""
    if entry.kind == "load_test":
        ends = file.parts[entry.parts[0]].terminals
        return ends["plus"], ends["minus"]
    if entry.kind == "lamp":
        return entry.probes.tip, entry.probes.clip
    probes = getattr(entry, "probes", None)
    return None if probes is None else (probes.red, probes.black)


test_probes.__test__ = False  # type: ignore[attr-defined]


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
    values |= {
        "id": id_,
        "condition": entry.condition or (watched.condition if watched else None),
        "area": entry.area,
        "outcomes": _outcomes(entry, usual, watched, scale),
        "probes": test_probes(entry, file),
        "low": usual.low * scale,
        "high": usual.high * scale,
        "spread": values.get(f"spread_{quantity(entry)}", usual.spread * scale),
    }
    if entry.kind == "lamp":
        values["added_ohms"] = values["lamp_ohms"]
    elif entry.kind == "load_test":
        values["added_ohms"] = nominal / entry.amps
    return frozen(Test, values)


build_test.__test__ = False  # type: ignore[attr-defined]


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
    if usual.unsteady:
        outcomes.append(Outcome(UNSTEADY, unsteady_title()))
    return outcomes


def _range_title(bound: float | None, above: float | None, unit: str) -> str:
    if bound is not None and above is not None:
        return f"{bound:g} to {above:g} {unit}"
    if bound is not None:
        return f"{bound:g} {unit} or more"
    return "any reading" if above is None else f"below {above:g} {unit}"
