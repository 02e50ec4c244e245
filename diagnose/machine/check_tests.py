"""What each test must obey: probes that can tell something, bounds in order, cautions."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from diagnose.machine.build import (
    UNSTEADY,
    own_bounds,
    parts_of,
    probes_of,
    quantity,
    watched_function,
)
from diagnose.machine.check_parts import HANDLED_WITH_CARE, check_bounds, cycles
from diagnose.machine.ends import MECHANICAL, coil_nets, main_nets
from diagnose.machine.graphs import Groups
from diagnose.machine.model import NOT_POSSIBLE, OTHER, RUNS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.errors import Problem
    from diagnose.machine.document import Path
    from diagnose.machine.entries_of_tests import AnyTest
    from diagnose.machine.subject import Subject

ONE_PART = ("amps", "load_test", "substitute", "bridge", "coil")
"""Kinds of test that take exactly one part; `coil` are ohms across a coil."""

SOME_PARTS = ("ohms", "wiggle", "inspect")

FOR_MECHANICAL = ("inspect", "wiggle")
"""Kinds of test that can be done on what no current flows through; looking is another."""

FITTING = {
    "load_test": ("battery",),
    "bridge": (
        "wire",
        "connector",
        "ground",
        "fuse",
        "switch",
        "relay",
        "contacts",
        "diode",
        "controller",
    ),
    "ohms": ("wire", "connector", "ground", "fuse", "switch", "relay", "contacts", "load", "motor"),
    "coil": ("relay",),
}
"""Kind of test -> kinds of part that it can be done on; any for kinds not listed."""


def check_tests(subject: Subject) -> Iterator[Problem]:
    """Problems of the tests."""
    cranking = _cranking(subject)
    joined = {} if subject.wiring.adrift else _joined(subject)
    for test, entry in subject.file.tests.items():
        path: Path = ("tests", test)
        watched = subject.file.functions.get(watched_function(entry) or "")
        condition: str | None = getattr(watched, "condition", None)
        yield from _outcomes(subject, path, entry)
        yield from _probes(subject, path, entry, joined)
        yield from _parts(subject, path, entry)
        if entry.condition is not None and condition not in (None, entry.condition):
            message = f"met {entry.condition!r}; the function is watched in {condition!r}"
            yield subject.problem((*path, "condition"), message, "condition_differs")
        yield from _cautions(subject, path, entry, entry.condition or condition, cranking)
        if entry.kind in ("substitute", "bridge") and getattr(watched, "kind", "") == "all_of":
            message = "met a function that is made up of others; expected one that goes by a part"
            yield subject.problem((*path, "function"), message, "function_part")
    for complaint in subject.file.complaints:
        if complaint in (RUNS, OTHER):
            message = f"`{complaint}` is what trying the machine may show; choose another name"
            yield subject.problem(("complaints", complaint), message, "reserved_id", key=True)
    needs = {name: entry.needs for name, entry in subject.file.tests.items()}
    yield from cycles(subject, "tests", needs, "needs", "needs_cycle")


def _outcomes(subject: Subject, path: Path, entry: AnyTest) -> Iterator[Problem]:
    outcomes = getattr(entry, "outcomes", None)
    if outcomes is None:
        return
    measured, where = quantity(entry), (*path, "outcomes")
    bounds = own_bounds(outcomes, measured)
    yield from check_bounds(subject, where, bounds, f"at_least_{measured}")
    for reserved in (UNSTEADY, NOT_POSSIBLE):
        if reserved in bounds:
            message = f"`{reserved}` is there without being listed; choose another name"
            yield subject.problem((*where, reserved), message, "reserved_id", key=True)


def _joined(subject: Subject) -> dict[str, str]:
    """Net -> name of the group of nets that parts of any kind join."""
    parts = [part for part in subject.wiring.parts.values() if part.kind != MECHANICAL]
    group = Groups([*map(main_nets, parts), *filter(None, map(coil_nets, parts))]).names()
    unsure = {group[net] for net in subject.wiring.unsure if net in group}
    return {net: name for net, name in group.items() if name not in unsure}


def _probes(
    subject: Subject, path: Path, entry: AnyTest, joined: dict[str, str]
) -> Iterator[Problem]:
    probes = None if entry.kind == "load_test" else probes_of(entry, subject.file)
    if probes is None:
        return
    first, second = probes
    if first == second:
        message = f"both probes are on {first!r}; the test can tell nothing"
        yield subject.problem((*path, "probes"), message, "probes_same", key=True)
    elif first in joined and second in joined and joined[first] != joined[second]:
        message = f"no parts join {first!r} and {second!r}; the test can tell nothing"
        yield subject.problem((*path, "probes"), message, "probes_unconnected", key=True)


def _parts(subject: Subject, path: Path, entry: AnyTest) -> Iterator[Problem]:
    if entry.kind == "look":
        given = [name for name in ("function", "parts", "cause") if getattr(entry, name)]
        if len(given) != 1:
            message = f"met {' and '.join(given) or 'none'}; expected one of function, parts, cause"
            yield subject.problem(path, message, "look_subject", key=True)
        return
    parts, where = parts_of(entry), (*path, "parts")
    done = "coil" if entry.kind == "ohms" and entry.across == "coil" else entry.kind
    only_one = done in ONE_PART
    if (only_one and len(parts) != 1) or (done in SOME_PARTS and not parts):
        message = f"met {len(parts)} parts; expected {'exactly' if only_one else 'at least'} one"
        yield subject.problem(where, message, "part_count", key=True)
        return
    for i, part in enumerate(parts):
        kind = subject.kind_of(part)
        if kind and kind not in FITTING.get(done, (kind,)):
            message = f"{part!r} is a {kind}; expected {' or '.join(FITTING[done])}"
            yield subject.problem((*where, i), message, "part_kind")
        elif kind == MECHANICAL and done not in FOR_MECHANICAL:
            message = f"{part!r} is mechanical; expected a part of the circuit"
            yield subject.problem((*where, i), message, "part_kind")
    yield from _shown_modes(subject, path, entry, parts)
    entries = [subject.file.parts.get(part) for part in parts]
    wired = all(part is not None and part.kind != MECHANICAL for part in entries)
    if entry.kind == "ohms" and wired and not _in_series(subject, parts):
        message = f"{', '.join(parts)} do not follow one another in one line"
        yield subject.problem(where, message, "not_in_series", key=True)


def _shown_modes(
    subject: Subject, path: Path, entry: AnyTest, parts: tuple[str, ...]
) -> Iterator[Problem]:
    """An inspection can only show modes that its parts have."""
    there = [mode for part in parts for mode in subject.modes_of(part)]
    for i, mode in enumerate(getattr(entry, "modes", None) or ()):
        if mode not in there:
            yield subject.unknown((*path, "modes", i), mode, "mode", there)


def _in_series(subject: Subject, parts: tuple[str, ...]) -> bool:
    """Whether the main paths of `parts` make one line without a branch."""
    ends = [main_nets(subject.file.parts[part]) for part in parts]
    degrees = Counter(net for both in ends for net in both)
    in_one = len(set(Groups(ends).names().values())) == 1
    return in_one and max(degrees.values()) <= 2 and len(degrees) == len(parts) + 1


def _cranking(subject: Subject) -> set[str]:
    """Conditions in which the engine may crank: all switches of a motor's condition closed."""
    conditions = subject.file.conditions
    starts = [
        set(conditions[f.condition].closes)
        for f in subject.file.functions.values()
        if f.kind == "motor" and f.condition in conditions
    ]
    return {
        name
        for name, condition in conditions.items()
        if any(start <= set(condition.closes) for start in starts)
    }


def _cautions(
    subject: Subject, path: Path, entry: AnyTest, condition: str | None, cranking: set[str]
) -> Iterator[Problem]:
    touched = (*parts_of(entry), *entry.unplugged)
    care = [part for part in touched if subject.kind_of(part) in HANDLED_WITH_CARE]
    why = ""
    if entry.area is not None:
        why = f"opens {entry.area!r}"
    elif care:
        why = f"handles {care[0]!r} (a {subject.kind_of(care[0])})"
    elif condition in cranking:
        why = f"is done in {condition!r}, when the engine may crank"
    if why and not entry.cautions:
        message = f"the test {why}; expected at least one caution"
        yield subject.problem(path, message, "caution_missing", key=True)
