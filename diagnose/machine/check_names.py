"""Names that a machine file mentions: each must be defined where its kind of thing is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnose.machine.dictionary import part_kinds, test_kinds
from diagnose.machine.entries import Entry, keys_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from diagnose.errors import Problem
    from diagnose.machine.document import Path
    from diagnose.machine.entries import DefinedIn, RepairEntry
    from diagnose.machine.subject import Subject


def check_names(subject: Subject) -> Iterator[Problem]:
    """All names that are mentioned but not defined."""
    file = subject.file
    yield from _within(subject, (), file)
    for part, entry in subject.wiring.parts.items():
        if part not in file.parts:  # a stand-in: its nets are all that is known of it
            yield from _within(subject, ("parts", part), entry)
    if file.machine.frame_net:
        yield from subject.name(("machine", "frame_net"), file.machine.frame_net, "nets")
    yield from _modes_of_parts(subject)
    yield from _modes_of_causes(subject)
    for function, shown in file.functions.items():
        if shown.kind == "all_of":
            yield from _levels(subject, ("functions", function, "needs"), shown.needs)
    for complaint, said in file.complaints.items():
        yield from _levels(subject, ("complaints", complaint, "says"), said.says)
    for condition, held in file.conditions.items():
        yield from _levels(subject, ("conditions", condition, "needs"), held.needs)
    yield from _levels(subject, ("works",), file.works)
    for test, tested in file.tests.items():
        usual = test_kinds()[tested.kind].tool
        if tested.tool is None:
            yield from subject.name(("tests", test, "tool"), usual, "tools")


def _within(subject: Subject, path: Path, value: Any) -> Iterator[Problem]:
    """Problems of the names in an entry, or in a list or mapping of entries."""
    if isinstance(value, Entry):
        for key, (field, mark) in keys_of(type(value)).items():
            held = getattr(value, field)
            if mark is None:
                yield from _within(subject, (*path, key), held)
            elif isinstance(held, str):
                yield from _name(subject, (*path, key), held, mark)
            elif held is not None:
                is_mapping = isinstance(held, dict)
                for step, name in enumerate(held):
                    place = (*path, key, name if is_mapping else step)
                    yield from _name(subject, place, name, mark, key=is_mapping)
    elif isinstance(value, dict | list):
        for step, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _within(subject, (*path, step), item)


def _name(
    subject: Subject, path: Path, met: str, mark: DefinedIn, *, key: bool = False
) -> Iterator[Problem]:
    parts = subject.section(mark.section)
    if not mark.kind or parts is None:
        yield from subject.name(path, met, mark.section, key=key)
    elif met not in parts:
        yield subject.unknown(path, met, mark.kind, subject.of_kind(mark.kind))
    elif subject.kind_of(met) not in (mark.kind, ""):
        message = f"{met!r} is a {subject.kind_of(met)}, not a {mark.kind}"
        yield subject.problem(path, message, f"unknown_{mark.kind}")


def _modes_of_parts(subject: Subject) -> Iterator[Problem]:
    for part, entry in subject.file.parts.items():
        valid = part_kinds()[entry.kind].modes
        for mode in entry.modes:
            if mode not in valid and mode != "ok":
                where = ("parts", part, "modes", mode)
                suffix = f" (a {entry.kind})"
                yield subject.unknown(where, mode, "mode", tuple(valid), key=True, suffix=suffix)
        for repair, done in entry.repairs.items():
            path = ("parts", part, "repairs", repair, "fixes")
            yield from _modes(subject, path, done.fixes or [], [part])
            for other, modes in done.also.items():
                place = ("parts", part, "repairs", repair, "also", other)
                yield from _modes(subject, place, modes, [other])
            if done.after is not None:
                yield from _after(subject, ("parts", part, "repairs", repair, "after"), part, done)


def _after(subject: Subject, path: Path, part: str, done: RepairEntry) -> Iterator[Problem]:
    """What goes before a repair must be one, and go after none itself."""
    after = done.after
    if after is None or after.part not in subject.file.parts:
        return
    yield from _modes(subject, (*path, "unless"), after.unless or [], [part])
    known = subject.file.parts[after.part].repairs
    if after.repair not in known:
        place = (*path, "repair")
        yield subject.unknown(
            place, after.repair, "repair", tuple(known), suffix=f" of {after.part}"
        )
    elif known[after.repair].after is not None:
        message = f"{after.part}.{after.repair} goes after a repair itself; one is all there may be"
        yield subject.problem((*path, "repair"), message, "after_another")


def _modes_of_causes(subject: Subject) -> Iterator[Problem]:
    kinds = part_kinds()
    for cause, entry in subject.file.shared_causes.items():
        path: Path = ("shared_causes", cause)
        if entry.part is not None:
            yield from _modes(subject, (*path, "modes"), entry.modes or [], [entry.part])
        for i, raised in enumerate(entry.raises):
            where = (*path, "raises", i, "modes")
            if raised.kind is not None and raised.kind not in kinds:
                place = (*path, "raises", i, "kind")
                yield subject.unknown(place, raised.kind, "kind", tuple(kinds))
            elif raised.kind is not None:
                valid = tuple(kinds[raised.kind].modes)
                yield from subject.unknown_in(where, raised.modes, "mode", valid)
            if raised.parts:
                yield from _modes(subject, where, raised.modes, raised.parts)


def _modes(
    subject: Subject, path: Path, met: Sequence[str], parts: Sequence[str]
) -> Iterator[Problem]:
    """Modes that none of `parts` has."""
    known = subject.section("parts") or {}
    if all(part in known for part in parts):
        valid = tuple(dict.fromkeys(mode for part in parts for mode in subject.modes_of(part)))
        yield from subject.unknown_in(path, met, "mode", valid)


def _levels(subject: Subject, path: Path, says: Mapping[str, list[str]]) -> Iterator[Problem]:
    for function, levels in says.items():
        valid = subject.levels_of(function)
        if valid:
            yield from subject.unknown_in((*path, function), levels, "level", valid)
