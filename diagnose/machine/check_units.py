"""What parts in one piece must obey."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.machine.document import dotted
from diagnose.machine.model import NEW_PART
from diagnose.machine.nearest import Misnamed, shown

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.errors import Problem
    from diagnose.machine.subject import Subject

MOST_UNITS = 200
"""Units among which the one meant is looked for."""


def check_units(subject: Subject) -> Iterator[Problem]:
    """Units have several parts, a name of their own, and a repair that fits them new."""
    units: dict[str, list[str]] = {}
    named = subject.section("parts") or {}
    for part in named:
        unit = subject.entry("parts", part).get("unit")
        if isinstance(unit, str):
            units.setdefault(unit, []).append(part)
    for unit, parts in units.items():
        path = ("parts", parts[0], "unit")
        if parts[0] not in subject.file.parts:
            continue  # its entry has a problem of its own
        if unit in named and unit not in parts:
            message = (
                f"{unit!r} is a part, of kind {subject.kind_of(unit)}, that is not in this unit; "
                "expected a name of its own, or of one of its parts"
            )
            yield subject.problem(path, message, "unit_name")
        elif len(parts) == 1:
            message = f"only {parts[0]!r} is in the unit {shown(unit)}; expected at least two"
            place = subject.document.value_place(path)
            others = units.keys() - {unit} if len(units) <= MOST_UNITS else ()
            words = f"{dotted(path)}: {message}"
            yield Misnamed(*place, words, "unit_of_one", met=unit, valid=others)
        elif all(part in subject.file.parts for part in parts) and not any(
            NEW_PART in subject.file.parts[part].repairs for part in parts
        ):
            message = f"no repair `{NEW_PART}` of {', '.join(parts)}; expected at least one"
            yield subject.problem(path, message, "unit_not_replaced")
