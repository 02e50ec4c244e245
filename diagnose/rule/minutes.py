"""What things cost in minutes, given what is already open."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection

    from diagnose.machine.model import Area, Machine, Repair


def to_open(machine: Machine, area: str | None, open_areas: Collection[str]) -> tuple[str, ...]:
    """Areas that must be opened to reach one, outermost first; empty when it is open."""
    found: list[str] = []
    while area is not None and area not in open_areas:
        found.append(area)
        area = machine.areas[area].inside
    return tuple(reversed(found))


def opening_minutes(machine: Machine, areas: Collection[str]) -> float:
    """Minutes to open these areas and, once at the end of the job, to close them again."""
    return sum(access_minutes(machine.areas[area]) for area in areas)


def access_minutes(area: Area) -> float:
    """Minutes that opening an area costs the job: it stays open, and is closed once at the end."""
    return area.open_minutes + area.close_minutes


def closing_minutes(machine: Machine, open_areas: Collection[str]) -> float:
    """Minutes to close what stands open; they were charged when it was opened."""
    return sum(area.close_minutes for area in machine.areas.values() if area.id in open_areas)


def price_minutes(machine: Machine, price_eur: float) -> float:
    """A price as minutes of labour at the shop's hourly rate."""
    return 60.0 * price_eur / machine.shop.labour_eur_per_hour


def repair_minutes(machine: Machine, repair: Repair) -> float:
    """Minutes of a repair with everything open: its part paid in minutes, and the check after."""
    price = price_minutes(machine, repair.price_eur)
    return repair.minutes + price + machine.shop.check_minutes


def labour_minutes(
    machine: Machine, part: str, repair: Repair, open_areas: Collection[str]
) -> float:
    """Minutes at the bench that a repair takes: opening, the work itself, and the check after."""
    opens = to_open(machine, machine.parts[part].area, open_areas)
    return opening_minutes(machine, opens) + repair.minutes + machine.shop.check_minutes
