"""Checking a machine file: syntax, schema and meaning, all problems at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from diagnose.errors import Problem
from diagnose.machine.build import build_machine
from diagnose.machine.check_names import check_names
from diagnose.machine.check_parts import check_parts
from diagnose.machine.check_priors import check_priors
from diagnose.machine.check_schema import schema_problems
from diagnose.machine.check_size import check_cost, check_size
from diagnose.machine.check_tests import check_tests
from diagnose.machine.check_units import check_units
from diagnose.machine.check_values import check_values
from diagnose.machine.check_wiring import check_wiring
from diagnose.machine.cost import cost_of
from diagnose.machine.document import read_document
from diagnose.machine.nearest import told
from diagnose.machine.schema import MachineFile
from diagnose.machine.subject import Subject
from diagnose.machine.wiring import wiring_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from diagnose.machine.cost import Cost
    from diagnose.machine.document import Document, Path
    from diagnose.machine.model import Machine

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


@dataclass(frozen=True, slots=True)
class Checked:
    """What a text turned out to be.

    Attributes:
        machine: the machine; None when something is wrong.
        file: its entries; None when something is wrong in them.
        cost: what it will cost; None where that cannot be told.
        problems: what is wrong, sorted by place.
    """

    machine: Machine | None
    file: MachineFile | None
    cost: Cost | None
    problems: tuple[Problem, ...]


def check_machine(text: str, content_hash: str = "") -> Checked:
    """Read a machine file's text, find everything that is wrong with it, and make the machine."""
    document = read_document(text)
    file, problems = _check(document)
    if file is None:
        return Checked(None, None, None, problems)
    machine = build_machine(file, content_hash)
    cost = cost_of(machine)
    problems = told(check_cost(document, cost))
    return Checked(None if problems else machine, file, cost, problems)


def check_text(text: str) -> tuple[MachineFile | None, tuple[Problem, ...]]:
    """Read a machine file's text and find everything that is wrong with its entries.

    Returns:
        The entries (None when something is wrong) and the problems, sorted by place.
    """
    return _check(read_document(text))


def _check(document: Document) -> tuple[MachineFile | None, tuple[Problem, ...]]:
    problems = list(document.problems)
    if not isinstance(document.data, dict):
        if not problems:
            message = "a machine file is a mapping of sections, beginning with `machine:`"
            problems.append(Problem(1, 1, message, "yaml_syntax"))
        return None, told(problems)
    problems += check_size(document)
    if any(problem.rule == "too_large" for problem in problems):
        return None, told(problems)  # nothing is made of more than any machine has
    problems += check_sources(document)
    file, bad = _validate(document)
    problems += [problem for _, problem in bad]
    problems += _values(document, problems)
    if file is not None:
        problems += _check_meaning(file, document, [path for path, _ in bad])
    ordered = told(problems)
    return (None if ordered else file), ordered


def _values(document: Document, problems: Iterable[Problem]) -> list[Problem]:
    """Problems of texts and numbers by themselves, where the schema has not said so already."""
    there = {(p.line, p.column) for p in problems if p.rule not in BESIDE}
    return [
        problem
        for problem in check_values(document)
        if problem.rule != "out_of_range" or (problem.line, problem.column) not in there
    ]


BESIDE = ("source_missing",)
"""Rules about a place that say nothing of the number there."""


def _check_meaning(full: MachineFile, document: Document, bad: list[Path]) -> list[Problem]:
    parts, nets = (document.data.get(name) for name in ("parts", "nets"))
    wiring = wiring_of(
        full.parts,
        parts if isinstance(parts, dict) else {},
        nets if isinstance(nets, dict) else None,
        bad,
    )
    if not isinstance(parts, dict):
        wiring = replace(wiring, adrift=True)
    volts_known = ("machine", "nominal_volts") not in bad and ("machine",) not in bad
    subject = Subject(full, document, wiring, volts_known)
    checks = (check_names, check_parts, check_units, check_wiring, check_tests, check_priors)
    return [problem for check in checks for problem in check(subject)]


def _validate(document: Document) -> tuple[MachineFile | None, list[tuple[Path, Problem]]]:
    """The entries that are sound, and the problems of the others with their paths."""
    try:
        return MachineFile.model_validate(document.data), []
    except ValidationError as error:
        found = list(schema_problems(error, document))
    try:
        sound = MachineFile.model_validate(_without(document.data, [path for path, _ in found]))
    except ValidationError:
        return None, found
    return sound, found


def _without(data: Mapping[str, Any], paths: Iterable[Path]) -> dict[str, Any]:
    """The data without the entries that have problems."""
    kept = {name: dict(v) if isinstance(v, dict) else v for name, v in data.items()}
    for path in paths:
        section = str(path[0])
        if section in STAND_INS:
            _stand_in(kept, section, path)
        elif section not in MachineFile.model_fields:
            kept.pop(section, None)
        elif len(path) == 1 or not isinstance(kept.get(section), dict):
            kept[section] = {}
        else:
            kept[section].pop(path[1], None)
    return kept


def _stand_in(kept: dict[str, Any], section: str, path: Path) -> None:
    """Let a section of single values keep those without a problem."""
    usual = STAND_INS[section]
    held = kept.get(section)
    if len(path) == 1 or not isinstance(held, dict):
        kept[section] = dict(usual)
        return
    held.pop(path[1], None)
    if path[1] in usual:
        held[path[1]] = usual[str(path[1])]


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
