"""How likely each fault set is, straight from the machine file; nothing of `diagnose.faults`.

A mode that shared causes raise has `P(mode | causes) = base * product of their factors`, with the
base such that over all causes it comes as often as the file says; parts fail independently given
the causes; and a quarter of the machines come to the shop in the time that the file counts
(`SHARE_OF_MACHINES`, an estimate of the project).
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from diagnose.machine.model import Machine, SharedCause

SHARE = 0.25
UNLISTED = "unlisted"
"""The part that stands for whatever the file does not list; its modes are the complaints."""

Faults = tuple[tuple[str, str], ...]


def marginal(machine: Machine, part: str, mode: str) -> float:
    return SHARE * machine.parts[part].modes[mode].per_1000_jobs / 1000.0


def free_causes(machine: Machine) -> list[SharedCause]:
    """Those that are things of their own, in the order of the file."""
    return [cause for cause in machine.shared_causes.values() if cause.part is None]


def chance_of(machine: Machine, cause: SharedCause) -> float:
    if cause.part is None:
        return cause.per_1000_jobs / 1000.0
    return sum(marginal(machine, cause.part, mode) for mode in cause.modes)


def given(machine: Machine, present: frozenset[str]) -> dict[tuple[str, str], float]:
    """(part, mode) -> chance with these causes there and no others; every part's `ok` as well."""
    found = {}
    for part in machine.parts.values():
        for mode in part.modes:
            if mode == "ok":
                continue
            chance = marginal(machine, part.id, mode)
            for cause in machine.shared_causes.values():
                for raised in cause.raises:
                    if raised.part == part.id and mode in raised.modes:
                        share = chance_of(machine, cause)
                        chance /= 1.0 + share * (raised.factor - 1.0)
                        chance *= raised.factor if cause.id in present else 1.0
            found[part.id, mode] = chance
        own = sum(chance for (name, _), chance in found.items() if name == part.id)
        found[part.id, "ok"] = 1.0 - own
    rest = 1.0
    for complaint in machine.complaints.values():
        own = complaint.unlisted_per_1000
        rate = machine.unlisted_per_1000 if own is None else own
        found[UNLISTED, complaint.id] = SHARE * rate / 1000.0
        rest -= found[UNLISTED, complaint.id]
    found[UNLISTED, "ok"] = rest
    return found


def combinations(machine: Machine) -> Iterator[tuple[float, frozenset[str]]]:
    """Every combination of the causes that are things of their own, with its chance."""
    causes = free_causes(machine)
    for there in itertools.product((False, True), repeat=len(causes)):
        chance = 1.0
        for cause, present in zip(causes, there, strict=True):
            own = chance_of(machine, cause)
            chance *= own if present else 1.0 - own
        yield chance, frozenset(c.id for c, here in zip(causes, there, strict=True) if here)


def joint(machine: Machine, sets: Sequence[Faults]) -> np.ndarray:
    """(sets, combinations) chance of each set together with each combination of causes."""
    derived = [cause for cause in machine.shared_causes.values() if cause.part is not None]
    there = [
        frozenset(c.id for c in derived if any(p == c.part and m in c.modes for p, m in faults))
        for faults in sets
    ]
    columns = []
    for share, free in combinations(machine):
        tables = {own: given(machine, free | own) for own in dict.fromkeys(there)}
        good = {
            own: math.prod(p for (_, mode), p in table.items() if mode == "ok")
            for own, table in tables.items()
        }
        columns.append(
            [
                share
                * good[own]
                * math.prod(tables[own][part, m] / tables[own][part, "ok"] for part, m in faults)
                for faults, own in zip(sets, there, strict=True)
            ]
        )
    return np.array(columns).T


def sets_up_to(faults: Sequence[tuple[str, str]], most: int) -> list[tuple[int, ...]]:
    """Numbers of every set of so many faults at most, no two of one part."""
    return [
        chosen
        for size in range(most + 1)
        for chosen in itertools.combinations(range(len(faults)), size)
        if len({faults[f][0] for f in chosen}) == size
    ]
