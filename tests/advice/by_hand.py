"""Expected cost of repair (Heckerman, Breese & Rommelse 1995), the list written out plainly."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.rule.minutes import access_minutes, repair_minutes, to_open

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy as np

    from diagnose.machine.model import Machine, Repair


def expected_minutes(
    machine: Machine,
    faults: tuple[tuple[str, str], ...],
    able: np.ndarray,
    open_areas: Collection[str],
) -> float:
    """Minutes without further tests; what was opened stays open.

    `able` (faults,) are the probabilities of the faults that can give the complaint.
    """
    blame = able / max(float(able.sum()), 1.0)
    left = dict(zip(faults, blame.tolist(), strict=True))
    todo = [(part, repair) for part in machine.parts.values() for repair in part.repairs]
    is_open, spent, remaining = set(open_areas), 0.0, 1.0
    best = machine.shop.escalate_minutes
    while todo:
        ratios = []
        for part, repair in todo:
            ends = sum(left[part.id, mode] for mode in repair.fixes)
            own = cost(machine, part.area, repair, is_open) + waste(machine, repair)
            ratios.append(ends / own)
        place = max(range(len(todo)), key=lambda row: (ratios[row], -row))
        if ratios[place] <= 1e-9:
            break
        part, repair = todo.pop(place)
        spent += remaining * cost(machine, part.area, repair, is_open)
        remaining -= sum(left[part.id, mode] for mode in repair.fixes)
        spent += waste(machine, repair) * max(remaining, 0.0)
        best = min(best, spent + max(remaining, 0.0) * machine.shop.escalate_minutes)
        left |= {(part.id, mode): 0.0 for mode in repair.fixes}
        is_open |= set(to_open(machine, part.area, is_open))
    return best


def waste(machine: Machine, repair: Repair) -> float:
    """What sparing a good part is worth."""
    return machine.shop.good_part_minutes if repair.id == "replace" else 0.0


def cost(machine: Machine, area: str | None, repair: Repair, is_open: set[str]) -> float:
    opening = sum(access_minutes(machine.areas[one]) for one in to_open(machine, area, is_open))
    return repair_minutes(machine, repair) + opening
