"""What a machine has to offer, as plain data: ids with their titles."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from diagnose.machine.model import Machine, Test


def machine_entry(machine: Machine) -> dict[str, Any]:
    """One line of the list of machines."""
    return {
        "id": machine.id,
        "title": machine.title,
        "version": machine.version,
        "parts": len(machine.parts),
        "tests": len(machine.tests),
        "complaints": len(machine.complaints),
    }


def machine_details(machine: Machine) -> dict[str, Any]:
    """Everything a caller needs to put a question: complaints, tests, tools and areas."""
    return {
        "id": machine.id,
        "title": machine.title,
        "version": machine.version,
        "notes": machine.notes,
        "complaints": _titled(machine.complaints.values()),
        "tests": [_test(machine, test) for test in machine.tests.values()],
        "tools": _titled(machine.tools.values()),
        "areas": [
            {
                "id": area.id,
                "title": area.title,
                "open_minutes": area.open_minutes,
                "close_minutes": area.close_minutes,
                "inside": area.inside,
            }
            for area in machine.areas.values()
        ],
        "cautions": [{"id": one.id, "text": one.text} for one in machine.cautions.values()],
    }


def _titled(things: Any) -> list[dict[str, str]]:
    return [{"id": thing.id, "title": thing.title} for thing in things]


def _test(machine: Machine, test: Test) -> dict[str, Any]:
    condition = machine.conditions[test.condition].title if test.condition else None
    has_unit = test.unit is not None
    return {
        "id": test.id,
        "title": test.title,
        "condition": condition,
        "tool": test.tool,
        "minutes": test.minutes,
        "area": test.area,
        "unit": test.unit,
        "low": test.low if has_unit else None,
        "high": test.high if has_unit else None,
        "outcomes": _titled(test.outcomes),
        "cautions": list(test.cautions),
    }
