"""Faults that no test can tell apart, counted in what one would repair."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Part
    from diagnose.review.table import OutcomeTable


@dataclass(frozen=True, slots=True)
class AmbiguityGroup:
    """Faults under which every test gives the same outcome.

    Attributes:
        faults: (part, mode) of each.
        repair_items: the fewest repairs that together put all of them right.
        detected: whether any test differs from the good machine.
        prior: sum of their probabilities over all jobs.
    """

    faults: tuple[tuple[str, str], ...]
    repair_items: int
    detected: bool
    prior: float


def find_groups(table: OutcomeTable, chosen: Sequence[int]) -> tuple[AmbiguityGroup, ...]:
    """The ambiguity groups of the listed faults, in the order of their first fault.

    Args:
        table: tests against single faults.
        chosen: rows of the tests at hand.
    """
    members: dict[bytes, list[int]] = {}
    for fault in range(table.n_listed):
        members.setdefault(signature(table.predicted, chosen, fault), []).append(fault)
    good = signature(table.predicted, chosen, -1)
    return tuple(
        AmbiguityGroup(
            faults=tuple(table.faults[f] for f in group),
            repair_items=repair_items(table.machine, [table.faults[f] for f in group]),
            detected=shown != good,
            prior=float(table.priors[group].sum()),
        )
        for shown, group in members.items()
    )


def signature(predicted: NDArray[np.int64], chosen: Sequence[int], fault: int) -> bytes:
    """What the chosen tests show under a fault, for comparing; -1 is the good machine."""
    return predicted[list(chosen), fault].tobytes()


def repair_items(machine: Machine, faults: Iterable[tuple[str, str]]) -> int:
    """The fewest repairs that together put all these faults right.

    Repairs belong to one part each, so the parts add up. Modes that no repair fixes count as one
    item of their part: it goes to whoever can put it right.
    """
    modes_of: dict[str, set[str]] = {}
    for part, mode in faults:
        modes_of.setdefault(part, set()).add(mode)
    return sum(_fewest(machine.parts[part], modes) for part, modes in modes_of.items())


def _fewest(part: Part, modes: set[str]) -> int:
    fixed = [modes & set(repair.fixes) for repair in part.repairs]
    wanted = set[str]().union(*fixed)
    count = 0
    while not any(wanted == set[str]().union(*some) for some in combinations(fixed, count)):
        count += 1
    return count + (wanted != modes)


def alike_parts(groups: Iterable[AmbiguityGroup]) -> tuple[tuple[str, str], ...]:
    """Pairs of parts that no test can tell apart, whatever their modes.

    Every failure of the one shares its ambiguity group with a failure of the other, and the
    other way round.
    """
    group_of: dict[str, set[int]] = {}
    for number, group in enumerate(groups):
        for part, _ in group.faults:
            group_of.setdefault(part, set()).add(number)
    return tuple(
        (first, second)
        for first, second in combinations(group_of, 2)
        if group_of[first] == group_of[second]
    )
