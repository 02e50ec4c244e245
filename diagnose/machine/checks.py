"""Checking a machine file: syntax, schema and meaning, all problems at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from diagnose.errors import Problem
from diagnose.machine.check_names import check_names
from diagnose.machine.check_parts import check_parts
from diagnose.machine.check_schema import schema_problems
from diagnose.machine.check_tests import check_tests
from diagnose.machine.check_units import check_units
from diagnose.machine.check_wiring import check_wiring
from diagnose.machine.document import read_document
from diagnose.machine.schema import MachineFile
from diagnose.machine.subject import Subject

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from diagnose.machine.document import Document, Path

STAND_INS: Mapping[str, Mapping[str, object]] = {
    "machine": {
        "id": "unreadable",
        "title": "unreadable",
        "version": "0",
        "nominal_volts": 12,
        "frame_net": "",
        "unlisted_per_1000_jobs": 0,
    },
    "shop": {
        "labour_eur_per_hour": 1,
        "check_minutes": 0,
        "new_part_bad_per_1000": 0,
        "escalate_minutes": 0,
    },
}
"""Taken for a section with problems, so that the other sections can still be checked."""


def check_text(text: str) -> tuple[MachineFile | None, tuple[Problem, ...]]:
    """Read a machine file's text and find everything that is wrong with it.

    Returns:
        The entries (None when something is wrong) and the problems, sorted by place.
    """
    document = read_document(text)
    problems = list(document.problems)
    if not isinstance(document.data, dict):
        if not problems:
            message = "a machine file is a mapping of sections, beginning with `machine:`"
            problems.append(Problem(1, 1, message, "yaml_syntax"))
        return None, tuple(problems)
    problems += check_sources(document)
    file, found = _validate(document)
    problems += found
    if file is not None:
        problems += _check_meaning(file, document)
    ordered = sorted(set(problems), key=lambda p: (p.line, p.column, p.message))
    return (None if ordered else file), tuple(ordered)


def _check_meaning(full: MachineFile, document: Document) -> list[Problem]:
    sections = ("parts", "nets")
    whole = all(_count(document, name) == len(getattr(full, name)) for name in sections)
    named = list(check_names(Subject(full, document, whole)))
    whole = whole and not any(problem.rule == "unknown_net" for problem in named)
    subject = Subject(full, document, whole)
    checks = (check_parts, check_units, check_wiring, check_tests)
    return named + [problem for check in checks for problem in check(subject)]


def _count(document: Document, section: str) -> int:
    found = document.data.get(section)
    return len(found) if isinstance(found, dict) else -1


def _validate(document: Document) -> tuple[MachineFile | None, list[Problem]]:
    """The entries that are sound, and the problems of the others."""
    try:
        return MachineFile.model_validate(document.data), []
    except ValidationError as error:
        found = list(schema_problems(error, document))
    problems = [problem for _, problem in found]
    try:
        sound = MachineFile.model_validate(_without(document.data, [path for path, _ in found]))
    except ValidationError:
        return None, problems
    return sound, problems


def _without(data: Mapping[str, Any], paths: Iterable[Path]) -> dict[str, Any]:
    """The data without the entries that have problems."""
    kept = {name: dict(v) if isinstance(v, dict) else v for name, v in data.items()}
    for path in paths:
        section = str(path[0])
        if section in STAND_INS:
            given, kept[section] = data.get(section), dict(STAND_INS[section])
            frame = given.get("frame_net") if isinstance(given, dict) else None
            if section == "machine" and isinstance(frame, str):
                kept[section]["frame_net"] = frame
        elif section not in MachineFile.model_fields:
            kept.pop(section, None)
        elif len(path) == 1 or not isinstance(kept.get(section), dict):
            kept[section] = {}
        else:
            kept[section].pop(path[1], None)
    return kept


def check_sources(document: Document) -> Iterator[Problem]:
    """Entries with a number that no `source:` covers; one problem each, at the first number."""
    for section, content in document.data.items():
        if not isinstance(content, dict):
            continue
        single = section in STAND_INS
        entries: Iterable[tuple[Path, Any]] = (
            [((section,), content)] if single else [((section, n), e) for n, e in content.items()]
        )
        for path, entry in entries:
            bare = next(_without_source(entry, path), None)
            if bare is not None:
                message = (
                    f"{'.'.join(map(str, path))}: the number at `{bare[-1]}` has no `source:`; "
                    "give a citation, `common practice` or `estimate`"
                )
                yield Problem(*document.key_place(bare), message, "source_missing")


def _without_source(value: Any, path: Path) -> Iterator[Path]:
    """Paths of the numbers that have no source beside them or around them."""
    if isinstance(value, dict) and "source" not in value:
        for key, item in value.items():
            yield from _without_source(item, (*path, key))
    elif isinstance(value, list):
        for i, item in enumerate(value):
            yield from _without_source(item, (*path, i))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield path
