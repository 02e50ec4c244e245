"""Names that a machine file mentions: each must be defined where its kind of thing is."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.build_tests import test_parts, test_probes
from diagnose.machine.dictionary import part_kinds, test_kinds
from diagnose.machine.entries_of_tests import (
    AllOfFunction,
    BridgeTest,
    LampTest,
    ListenTest,
    LoadTest,
    LookTest,
    SubstituteTest,
)
from diagnose.machine.part_entries import ControllerEntry
from diagnose.machine.subject import unknown_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.errors import Problem
    from diagnose.machine.document import Path
    from diagnose.machine.entries_of_tests import AnyTest
    from diagnose.machine.schema import RaiseEntry
    from diagnose.machine.subject import Subject


def check_names(subject: Subject) -> Iterator[Problem]:
    """All names that are mentioned but not defined."""
    yield from subject.name(
        ("machine", "frame_net"), subject.file.machine.frame_net or None, "nets"
    )
    yield from _areas_and_conditions(subject)
    for part in subject.file.parts:
        yield from _part(subject, part)
    for cause, entry in subject.file.shared_causes.items():
        path: Path = ("shared_causes", cause)
        yield from subject.name((*path, "part"), entry.part, "parts")
        if entry.part is not None:
            yield from _modes(subject, (*path, "modes"), entry.modes or [], (entry.part,))
        for i, one in enumerate(entry.raises):
            yield from _raise(subject, (*path, "raises", i), one)
    for function in subject.file.functions:
        yield from _function(subject, function)
    for complaint, said in subject.file.complaints.items():
        yield from _levels(subject, ("complaints", complaint, "says"), said.says)
    for test, tested in subject.file.tests.items():
        yield from _test(subject, ("tests", test), tested)


def _areas_and_conditions(subject: Subject) -> Iterator[Problem]:
    for area, entry in subject.file.areas.items():
        yield from subject.name(("areas", area, "inside"), entry.inside, "areas")
    for condition, held in subject.file.conditions.items():
        path = ("conditions", condition)
        yield from _of_kind(subject, (*path, "closes"), held.closes, "switch")
        yield from _of_kind(subject, (*path, "running"), held.running, "generator")


def _of_kind(subject: Subject, path: Path, met: list[str], kind: str) -> Iterator[Problem]:
    parts = subject.section("parts")
    if parts is None:
        return
    valid = [name for name in parts if subject.kind_of(name) in (kind, "")]
    for i, one in enumerate(met):
        if one in valid:
            continue
        if one in parts:
            message = f"{one!r} is a {subject.kind_of(one)}, not a {kind}"
            yield subject.problem((*path, i), message, f"unknown_{kind}")
        else:
            yield subject.unknown((*path, i), one, kind, valid)


def _part(subject: Subject, part: str) -> Iterator[Problem]:
    entry = subject.file.parts[part]
    path: Path = ("parts", part)
    for role, net in entry.terminals().items():
        yield from subject.name((*path, role), net, "nets")
    if isinstance(entry, ControllerEntry):
        for i, one in enumerate(entry.inputs):
            yield from subject.name((*path, "inputs", i, "net"), one.net, "nets")
            yield from subject.name((*path, "inputs", i, "against"), one.against, "nets")
    yield from subject.name((*path, "area"), entry.area, "areas")
    valid = part_kinds()[entry.kind].modes
    for mode in entry.modes:
        if mode not in valid and mode != "ok":
            message = f"{unknown_words(mode, 'mode', valid)} (a {entry.kind})"
            where = (*path, "modes", mode)
            yield subject.problem(where, message, "unknown_mode", key=True)
    for repair, done in entry.repairs.items():
        fixes = done.fixes or []
        yield from _modes(subject, (*path, "repairs", repair, "fixes"), fixes, (part,))
        yield from subject.names((*path, "repairs", repair, "cautions"), done.cautions, "cautions")


def _modes(
    subject: Subject, path: Path, met: list[str], parts: tuple[str, ...]
) -> Iterator[Problem]:
    """Modes that none of `parts` has."""
    known = subject.section("parts") or {}
    if any(part not in known for part in parts):
        return
    valid = tuple(dict.fromkeys(mode for part in parts for mode in subject.modes_of(part)))
    for i, one in enumerate(met):
        if one not in valid:
            yield subject.unknown((*path, i), one, "mode", valid)


def _raise(subject: Subject, path: Path, entry: RaiseEntry) -> Iterator[Problem]:
    yield from subject.names((*path, "parts"), entry.parts or [], "parts")
    yield from subject.names((*path, "areas"), entry.areas or [], "areas")
    kinds = part_kinds()
    if entry.kind is not None and entry.kind not in kinds:
        yield subject.unknown((*path, "kind"), entry.kind, "kind", tuple(kinds))
    elif entry.kind is not None:
        valid = tuple(kinds[entry.kind].modes)
        for i, one in enumerate(entry.modes):
            if one not in valid:
                yield subject.unknown((*path, "modes", i), one, "mode", valid)
    if entry.parts:
        yield from _modes(subject, (*path, "modes"), entry.modes, tuple(entry.parts))


def _function(subject: Subject, function: str) -> Iterator[Problem]:
    entry = subject.file.functions[function]
    path: Path = ("functions", function)
    if isinstance(entry, AllOfFunction):
        yield from _levels(subject, (*path, "needs"), entry.needs)
        return
    yield from subject.name((*path, "part"), entry.part, "parts")
    yield from subject.name((*path, "condition"), entry.condition, "conditions")


def _levels(subject: Subject, path: Path, says: dict[str, list[str]]) -> Iterator[Problem]:
    functions = subject.section("functions")
    if functions is None:
        return
    for function, levels in says.items():
        if function not in functions:
            yield subject.unknown((*path, function), function, "function", functions, key=True)
            continue
        valid = subject.levels_of(function)
        for i, level in enumerate(levels):
            if valid and level not in valid:
                yield subject.unknown((*path, function, i), level, "level", valid)


def _test(subject: Subject, path: Path, entry: AnyTest) -> Iterator[Problem]:
    yield from subject.name((*path, "condition"), entry.condition, "conditions")
    usual = test_kinds()[entry.kind].tool
    yield from subject.name((*path, "tool"), entry.tool or usual, "tools")
    yield from subject.name((*path, "area"), entry.area, "areas")
    yield from subject.names((*path, "needs"), entry.needs, "tests")
    yield from subject.names((*path, "cautions"), entry.cautions, "cautions")
    yield from subject.names((*path, "unplugged"), entry.unplugged, "parts")
    yield from subject.names((*path, "parts"), test_parts(entry), "parts")
    if isinstance(entry, ListenTest | LookTest | SubstituteTest | BridgeTest):
        yield from subject.name((*path, "function"), entry.function, "functions")
    if isinstance(entry, LookTest):
        yield from subject.name((*path, "cause"), entry.cause, "shared_causes")
    if isinstance(entry, LoadTest):
        return
    roles = ("tip", "clip") if isinstance(entry, LampTest) else ("red", "black")
    for role, net in zip(roles, test_probes(entry, subject.file) or (), strict=False):
        yield from subject.name((*path, "probes", role), net, "nets")
