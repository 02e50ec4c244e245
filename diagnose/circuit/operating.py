"""What a circuit settles to under a set of faults, and what the instruments then read.

Every reading is given twice. The two differ where the circuit does not hold still: a loose joint
with and without contact, a relay that lets go as soon as it has pulled in. Equal values mean a
steady reading.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.kernels import MAX_STEPS, drive, eliminate, read_all
from diagnose.circuit.tables import make_room

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.circuit.mesh import MeshPlan
    from diagnose.circuit.rigs import Circuit


def evaluate(circuit: Circuit, fault_sets: NDArray[np.int32]) -> NDArray[np.float64]:
    """Readings of all observables for many fault sets.

    Args:
        circuit: from `make_circuit`.
        fault_sets: (cases, width) fault numbers, -1 for none; at most one fault per part.

    Returns:
        (cases, observables, 2) volts, amps, ohms, level index, or 0..1 for what can be seen or
        shaken; the last axis holds the two readings of an unsteady circuit.
    """
    faults = np.ascontiguousarray(fault_sets, dtype=np.int32)
    out = np.zeros((len(faults), len(circuit.rigs.observables), 2))
    room = make_room(circuit.tables, circuit.plan, MAX_STEPS)
    read_all(circuit.tables, circuit.plan, room, faults, out)
    return out


def solve(
    plan: MeshPlan,
    siemens: NDArray[np.float64],
    leak_siemens: float,
    amps_in: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Volts of every net against the reference, for any resistive circuit.

    Args:
        plan: the topology.
        siemens: (elements,) conductances, >= 0.
        leak_siemens: conductance from every net to the reference, > 0.
        amps_in: (nets,) current injected into each net.

    Returns:
        (nets,) volts.
    """
    volts, ohms = np.empty(plan.n_nets), np.empty(plan.n_nets)
    edges = np.empty((2, max(plan.n_edges + 1, plan.n_nets)))
    eliminate(plan, np.asarray(siemens, dtype=np.float64), leak_siemens, edges, ohms)
    drive(plan, edges[0], ohms, np.array(amps_in, dtype=np.float64), volts)
    return volts
