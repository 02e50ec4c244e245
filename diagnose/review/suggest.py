"""A test that is missing: the volts that would split the largest group of faults best.

Every pair of a net and the frame is read in every condition that the machine gets into with the
group's faults. What lies within a few spreads of a meter of each other cannot be told apart; the
test that leaves the fewest bits of doubt, by the priors, is suggested.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import make_circuit
from diagnose.faults.chances import entropy_bits
from diagnose.machine.ends import main_nets
from diagnose.machine.model import Test

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine
    from diagnose.review.groups import AmbiguityGroup
    from diagnose.review.table import OutcomeTable

APART_VOLTS = 0.3
"""Readings nearer to each other than this are not told apart: a technician's meter and eye.
Estimate."""

LEAST_BITS = 0.05
"""A test that would tell less about the group is not worth suggesting. Estimate."""


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A test that the file does not have.

    Attributes:
        red, black: nets between which it measures volts.
        condition: id of the condition.
        bits: what it would tell about the group.
        tells: volts, and the faults (part, mode) under which it reads them; the highest first.
    """

    red: str
    black: str
    condition: str
    bits: float
    tells: tuple[tuple[float, tuple[tuple[str, str], ...]], ...]


def suggest(table: OutcomeTable, groups: Sequence[AmbiguityGroup]) -> Suggestion | None:
    """The test that would split the likeliest group of several repair items; None for none.

    Args:
        table: of the machine.
        groups: its ambiguity groups.
    """
    open_groups = [group for group in groups if group.detected and group.repair_items > 1]
    for group in sorted(open_groups, key=lambda each: -each.prior):
        found = _best(table, group)
        if found is not None:
            return found
    return None


def _best(table: OutcomeTable, group: AmbiguityGroup) -> Suggestion | None:
    numbers = [table.faults.index(fault) for fault in group.faults]
    machine = replace(table.machine, tests={test.id: test for test in _candidates(table.machine)})
    if not machine.tests:
        return None
    circuit = make_circuit(machine)
    columns = [circuit.rigs.names.index(name) for name in machine.tests]
    rows = np.array(numbers, dtype=np.int32)[:, None]
    volts = evaluate(circuit, rows)[:, columns]
    weight = table.priors[numbers]
    best, most = None, (LEAST_BITS, 0.0)
    for column, test in enumerate(machine.tests.values()):
        parted = _parted(volts[:, column], weight)
        shares = np.array([weight[rows].sum() for rows in parted]) / weight.sum()
        means = [float(volts[rows, column].mean()) for rows in parted]
        gap = min((high - low for high, low in pairwise(means)), default=0.0)
        score = (round(float(entropy_bits(shares)), 6), gap)  # of equal ones the clearest
        if score > most and test.probes is not None:
            most = score
            told = tuple(
                (mean, tuple(group.faults[row] for row in rows))
                for mean, rows in zip(means, parted, strict=True)
            )
            best = Suggestion(*test.probes, str(test.condition), score[0], told)
    return best


def _candidates(machine: Machine) -> Iterator[Test]:
    """Volts of every net that a probe can reach, in conditions that need nothing of the machine."""
    parts = machine.parts.values()
    charges = [net for part in parts if part.kind == "charge" for net in main_nets(part)]
    cells = [net for part in parts if part.kind == "battery" for net in main_nets(part)]
    inside = {machine.frame_net, *(set(charges) & set(cells))}
    nets = [net for net in machine.nets if net not in inside]
    for condition in machine.conditions.values():
        for net in () if condition.needs else nets:
            yield Test(
                f"{condition.id}/{net}", "", "volts", condition.id, "none", 1.0, None, (), (), "",
                probes=(net, machine.frame_net),
            )  # fmt: skip


def _parted(volts: NDArray[np.float64], weight: NDArray[np.float64]) -> list[list[int]]:
    """Faults that read alike, the highest volts first; what does not hold still reads as any.

    Args:
        volts: (faults, 2) both readings of each.
        weight: (faults,) of each; an unsteady one goes with the heaviest others.
    """
    steady = np.abs(volts[:, 0] - volts[:, 1]) <= APART_VOLTS
    order = [row for row in np.argsort(-volts[:, 0], kind="stable").tolist() if steady[row]]
    parted: list[list[int]] = []
    for row in order:
        if parted and volts[parted[-1][-1], 0] - volts[row, 0] <= APART_VOLTS:
            parted[-1].append(row)
        else:
            parted.append([row])
    unsteady = np.flatnonzero(~steady).tolist()
    if not parted:
        return [unsteady]
    max(parted, key=lambda rows: float(weight[rows].sum())).extend(unsteady)
    return parted


def in_words(machine: Machine, suggestion: Suggestion) -> str:
    """One sentence for a person."""
    controls = machine.conditions[suggestion.condition].title
    readings = "; ".join(
        f"{round(volts, 1) + 0.0:.1f} V under {', '.join('.'.join(fault) for fault in faults)}"
        for volts, faults in suggestion.tells
    )
    return (
        f"A test that would split the likeliest of them: volts between {suggestion.red} and "
        f"{suggestion.black}, {controls}: {readings}."
    )
