"""The solver asked for every net in every arrangement, not only where a test puts its probes."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from diagnose.circuit.codes import VOLTS
from diagnose.circuit.operating import evaluate
from diagnose.circuit.rigs import Circuit, Observable
from diagnose.circuit.tables import make_tables

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray


def with_a_meter_on_every_net(circuit: Circuit) -> Circuit:
    """The same with 10 megohm from every net to the minus post at once, as in the referees."""
    tables = circuit.tables._replace(leak_siemens=1e-7, meter_siemens=0.0)
    return replace(circuit, tables=tables)


def with_all_nets(circuit: Circuit, rigs: Sequence[int]) -> Circuit:
    """The same circuit with, for each of these rigs, a voltmeter on every net and nothing else."""
    nets = circuit.netlist.nets
    probes = tuple(
        Observable(f"{rig}:{net}", VOLTS, rig, plus)
        for rig in rigs
        for plus, net in enumerate(nets)
    )
    rigs_read = replace(circuit.rigs, observables=probes)
    tables = make_tables(circuit.netlist, rigs_read)
    return with_a_meter_on_every_net(replace(circuit, rigs=rigs_read, tables=tables))


def net_volts(
    circuit: Circuit, rigs: Sequence[int], fault_sets: NDArray[np.int32]
) -> NDArray[np.float64]:
    """(cases, rigs, nets, 2) volts against the battery's minus post."""
    found = evaluate(with_all_nets(circuit, rigs), fault_sets)
    return found.reshape(len(fault_sets), len(rigs), len(circuit.netlist.nets), 2)
