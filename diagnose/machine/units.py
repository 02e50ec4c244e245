"""Several parts in one piece: what fits one of them new, fits all of them new."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from diagnose.machine.model import NEW_PART

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Part, Repair


def with_units(parts: Mapping[str, Part]) -> dict[str, Part]:
    """The parts; a repair that fits a new one puts right all that is one piece with it.

    A key switch with three contacts is three parts of the circuit and one thing on the shelf.
    """
    found = dict(parts)
    units: dict[str, list[Part]] = {}
    for part in parts.values():
        if part.unit is not None:
            units.setdefault(part.unit, []).append(part)
    for part in parts.values():
        if part.unit is not None:
            others = [other for other in units[part.unit] if other.id != part.id]
            repairs = tuple(
                _renewing(repair, part, others) if repair.id == NEW_PART else repair
                for repair in part.repairs
            )
            found[part.id] = replace(part, repairs=repairs)
    return found


def failures(part: Part) -> tuple[str, ...]:
    """Every mode of a part but the good one, which is first."""
    return tuple(part.modes)[1:]


def _renewing(repair: Repair, part: Part, others: list[Part]) -> Repair:
    also = {**repair.also, **{other.id: failures(other) for other in others}}
    return replace(repair, fixes=failures(part), also=also)
