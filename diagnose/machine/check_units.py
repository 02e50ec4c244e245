"""What parts in one piece must obey."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.errors import nearest_name
from diagnose.machine.model import NEW_PART

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.errors import Problem
    from diagnose.machine.subject import Subject


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
            nearest = nearest_name(unit, [other for other in units if other != unit])
            hint = f"; nearest is {nearest!r}" if nearest else ""
            message = f"only {parts[0]!r} is in the unit {unit!r}; expected at least two{hint}"
            yield subject.problem(path, message, "unit_of_one")
        elif subject.whole and not any(
            NEW_PART in subject.file.parts[part].repairs for part in parts
        ):
            message = f"no repair `{NEW_PART}` of {', '.join(parts)}; expected at least one"
            yield subject.problem(path, message, "unit_not_replaced")
