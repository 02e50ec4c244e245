"""The solver asked for every net in every arrangement, not only where a test puts its probes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.mesh import REFERENCE
from diagnose.circuit.netlist import NONE
from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import VOLTS, Circuit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


def with_all_nets(circuit: Circuit, rigs: Sequence[int]) -> Circuit:
    """The same circuit with, for each of these rigs, a voltmeter on every net and nothing else."""
    nets = circuit.netlist.nets
    n = len(rigs) * len(nets)
    number = np.repeat(np.array(rigs, dtype=np.int32), len(nets))
    order = np.argsort(number, kind="stable").astype(np.int32)
    counts = np.bincount(number, minlength=len(circuit.rigs.forced))
    probes = replace(
        circuit.rigs,
        names=tuple(f"{rig}:{net}" for rig in rigs for net in nets),
        kind=np.full(n, VOLTS, dtype=np.int8),
        rig=number,
        plus=np.tile(np.arange(len(nets), dtype=np.int32), len(rigs)),
        minus=np.full(n, REFERENCE, dtype=np.int32),
        part=np.full(n, NONE, dtype=np.int32),
        thresholds=np.full((n, 0), -np.inf),
        n_levels=np.zeros(n, dtype=np.int32),
        parts_start=np.zeros(n + 1, dtype=np.int32),
        parts_flat=np.zeros(0, dtype=np.int32),
        read_start=np.concatenate([[0], np.cumsum(counts)]).astype(np.int32),
        read=order,
    )
    return replace(circuit, rigs=probes)


def net_volts(
    circuit: Circuit, rigs: Sequence[int], fault_sets: NDArray[np.int32]
) -> NDArray[np.float64]:
    """(cases, rigs, nets, 2) volts against the battery's minus post."""
    found = evaluate(with_all_nets(circuit, rigs), fault_sets)
    return found.reshape(len(fault_sets), len(rigs), len(circuit.netlist.nets), 2)
