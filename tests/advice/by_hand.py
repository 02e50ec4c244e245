"""Expected cost of repair (Heckerman, Breese & Rommelse 1995), the list written out plainly."""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.rule.minutes import access_minutes, repair_minutes, to_open

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy as np

    from diagnose.machine.model import Machine, Part, Repair


def expected_minutes(
    machine: Machine,
    faults: tuple[tuple[str, str], ...],
    able: np.ndarray,
    open_areas: Collection[str],
    fine: float = 0.0,
) -> float:
    """Minutes without further tests; what was opened stays open.

    `able` (faults,) are the probabilities of the faults that can keep the machine from running. To
    whom it is handed over has to repair what is left, with everything to open. A machine in order,
    of probability `fine`, is given back, or runs after the first repair.
    """
    blame = able / max(float(able.sum()), 1.0 - fine)
    left = dict(zip(faults, blame.tolist(), strict=True))
    todo = [(part, repair) for part in machine.parts.values() for repair in part.repairs]
    is_open, spent, remaining = set(open_areas), 0.0, 1.0
    elsewhere: dict[tuple[str, str], float] = {}
    for part, repair in todo:
        for fault in mended(part, repair):
            minutes = cost(machine, part.area, repair, set())
            elsewhere[fault] = min(minutes, elsewhere.get(fault, minutes))

    def handed_over() -> float:
        rest = sum(left.get(fault, 0.0) * minutes for fault, minutes in elsewhere.items())
        return max(remaining, 0.0) * machine.shop.escalate_minutes + rest

    best, in_vain = (1.0 - fine) * handed_over(), 0.0
    while todo:
        ratios = []
        for part, repair in todo:
            ends = sum(left[fault] for fault in mended(part, repair))
            own = cost(machine, part.area, repair, is_open) + waste(machine, part, repair)
            ratios.append(ends / own)
        place = max(range(len(todo)), key=lambda row: (ratios[row], -row))
        if ratios[place] <= 1e-9:
            break
        part, repair = todo.pop(place)
        if remaining == 1.0 and not spent:
            own = cost(machine, part.area, repair, is_open) + waste(machine, part, repair)
            in_vain = fine * own
        spent += remaining * cost(machine, part.area, repair, is_open)
        remaining -= sum(left[fault] for fault in mended(part, repair))
        spent += waste(machine, part, repair) * max(remaining, 0.0)
        left |= dict.fromkeys(mended(part, repair), 0.0)
        best = min(best, (1.0 - fine) * (spent + handed_over()) + in_vain)
        is_open |= set(to_open(machine, part.area, is_open))
    return best


def mended(part: Part, repair: Repair) -> list[tuple[str, str]]:
    """The faults that a repair puts right."""
    others = [(other, mode) for other, modes in repair.also.items() for mode in modes]
    return [*((part.id, mode) for mode in repair.fixes), *others]


def waste(machine: Machine, part: Part, repair: Repair) -> float:
    """What sparing a good part is worth; a fuse is none."""
    spared = repair.id == "replace" and part.kind != "fuse"
    return machine.shop.good_part_minutes if spared else 0.0


def cost(machine: Machine, area: str | None, repair: Repair, is_open: set[str]) -> float:
    opening = sum(access_minutes(machine.areas[one]) for one in to_open(machine, area, is_open))
    return repair_minutes(machine, repair) + opening
