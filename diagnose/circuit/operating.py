"""What a circuit settles to under a set of faults, and what the instruments then read.

For each fault set: apply the faults; run through the plain conditions once, so that fuses which
a short would blow have blown; then, rig by rig, let relays pull in and drop out until nothing
changes, and read the observables. Every reading is given twice. The two differ where the circuit
does not hold still: a loose joint with and without contact, a relay that lets go as soon as it
has pulled in. Equal values mean a steady reading.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.lanes import make_lanes
from diagnose.circuit.netlist import ALWAYS, LOOSE_OHMS, NEVER, NONE
from diagnose.circuit.rigs import AMPS, COIL, LAMP, LEVEL, OHMS, RELAY, VISIBLE
from diagnose.circuit.settling import across, blow_fuses, let_go, main_amps, settle
from diagnose.machine.model import OPEN_OHMS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from diagnose.circuit.lanes import Bools, Floats, Ints, Lanes, Number
    from diagnose.circuit.rigs import Circuit
    from diagnose.circuit.settling import Settled

BLOCK = 2048
"""Circuits solved side by side: enough to make each numpy call worth it, few enough that the
work space stays in the processor's cache."""

PULLS_IN, CHATTERS, SILENT = 0.0, 1.0, 2.0


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
    out = np.empty((len(faults), len(circuit.rigs.names), 2))
    blown = np.empty((len(faults), len(circuit.netlist.parts)), dtype=bool)
    for start in range(0, len(faults), BLOCK):
        block = slice(start, start + BLOCK)
        blown[block] = blow_fuses(circuit, faults[block])
    for case, rig in _blocks(circuit, len(faults)):
        _read_block(make_lanes(circuit, rig, faults[case], blown[case]), case, out)
    for observable in np.flatnonzero(circuit.rigs.kind >= OHMS):
        _inspect(circuit, observable, faults, blown, out[:, observable])
    return out


def _blocks(circuit: Circuit, n_cases: int) -> Iterator[tuple[Ints, Ints]]:
    """(case, rig) of the circuits to solve, rig by rig, in blocks."""
    extent = circuit.rigs.read_start
    used = np.flatnonzero(extent[1:] > extent[:-1])
    total = len(used) * n_cases
    for start in range(0, total, BLOCK):
        number = np.arange(start, min(start + BLOCK, total))
        yield (number % n_cases).astype(np.int32), used[number // n_cases].astype(np.int32)


def _read_block(lanes: Lanes, case: Ints, out: Floats) -> None:
    settled = settle(lanes)
    _read(settled, case, out, (0, 1))
    moving = np.flatnonzero(settled.moving.any(axis=0))
    if len(moving):
        _read(_some(let_go(settled), moving), case[moving], out, (1,))
    loose = np.flatnonzero(lanes.loose())
    if len(loose):
        apart = settle(replace(lanes.take(loose), touching=False))
        _read(apart, case[loose], out, (1,))


def _some(settled: Settled, at: NDArray[np.int64]) -> Settled:
    return replace(
        settled,
        lanes=settled.lanes.take(at),
        siemens=settled.siemens[:, at],
        volts=settled.volts[:, at],
        worked=settled.worked[:, at],
        moving=settled.moving[:, at],
        let_go=settled.let_go[at],
    )


def _read(settled: Settled, case: Ints, out: Floats, which: tuple[int, ...]) -> None:
    """Write what is read from these circuits as first reading, second, or both."""
    r = settled.lanes.circuit.rigs
    for rig in np.unique(settled.lanes.rig):
        at = np.flatnonzero(settled.lanes.rig == rig)
        some = _some(settled, at)
        for observable in r.read[r.read_start[rig] : r.read_start[rig + 1]]:
            value = _observed(some, int(observable))
            for reading in which:
                out[case[at], observable, reading] = value


def _observed(settled: Settled, observable: int) -> Floats:
    """(lanes,) one observable."""
    r = settled.lanes.circuit.rigs
    kind, part = r.kind[observable], int(r.part[observable])
    if kind == AMPS:
        return main_amps(settled.lanes, settled.siemens, settled.volts, part)
    if kind == RELAY:
        return _relay_level(settled, part)
    if kind == LEVEL:
        return _level(settled, observable, part)
    volts = across(settled.volts, r.plus[observable], r.minus[observable])
    return np.abs(volts) if kind == LAMP else volts


def _relay_level(settled: Settled, part: int) -> Floats:
    gated = np.flatnonzero(settled.lanes.circuit.netlist.gated)
    row = int(np.searchsorted(gated, part))
    still = np.where(settled.worked[row], PULLS_IN, SILENT)
    return np.where(settled.moving[row], CHATTERS, still)


def _level(settled: Settled, observable: int, part: int) -> Floats:
    """How well a load works: by the volts across it, and no better than its fault allows."""
    n, r = settled.lanes.circuit.netlist, settled.lanes.circuit.rigs
    volts = across(settled.volts, *n.ends[n.main[part]])
    last = r.n_levels[observable] - 1
    level = np.sum(volts[:, None] < r.thresholds[observable, :last], axis=1)
    fault = settled.lanes.fault_of(part)
    at_best = np.where(fault >= 0, np.minimum(n.fault_at_best[fault], last), 0)
    found: Floats = np.maximum(level, at_best).astype(np.float64)
    return found


def _inspect(circuit: Circuit, observable: Number, faults: Ints, blown: Bools, out: Floats) -> None:
    """Ohms in series, chance to see damage, or looseness of a list of parts."""
    n, r = circuit.netlist, circuit.rigs
    rigs = np.full(len(faults), r.rig[observable], dtype=np.int32)
    lanes = make_lanes(circuit, rigs, faults, blown)
    coil = r.kind[observable] == COIL
    ohms, unseen, loose = np.zeros(out.shape), np.ones(len(faults)), np.zeros(len(faults))
    for part in r.parts_flat[r.parts_start[observable] : r.parts_start[observable + 1]]:
        fault = lanes.fault_of(part)
        visible = np.where(fault >= 0, n.fault_visible[fault], 0.0)
        visible = np.where(blown[:, part], np.maximum(visible, n.blown_visible[part]), visible)
        ohms += (_coil_ohms if coil else _isolated_ohms)(lanes, part)
        unseen *= 1.0 - visible
        loose = np.maximum(loose, (fault >= 0) & (n.fault_loose[fault] != 0))
    if coil or r.kind[observable] == OHMS:
        out[:] = ohms
    else:
        out[:] = (1.0 - unseen if r.kind[observable] == VISIBLE else loose)[:, None]


def _coil_ohms(lanes: Lanes, part: Number) -> Floats:
    """(lanes, 2) ohms of a relay's coil, unplugged; it does not come and go."""
    n = lanes.circuit.netlist
    fault = lanes.fault_of(part)
    ohms = np.where(fault >= 0, n.fault_coil_ohms[fault], n.ok_coil_ohms[part])
    return np.stack([ohms, ohms], axis=-1)


def _isolated_ohms(lanes: Lanes, part: Number) -> Floats:
    """(lanes, 2) ohms of a part by itself, contacts at rest; a loose one touching, and apart."""
    n, r = lanes.circuit.netlist, lanes.circuit.rigs
    fault = lanes.fault_of(part)
    faulty = fault >= 0
    ohms = np.where(faulty, n.fault_ohms[fault], n.ok_ohms[part])
    if n.switched[part] or n.gated[part]:
        closed = n.normally_closed[part] != 0
        made = r.closed[lanes.rig, part] != 0 if n.switched[part] else np.full(len(lanes), closed)
        contacts = np.where(faulty, n.fault_contacts[fault], NONE)
        made = (made | (contacts == ALWAYS)) & (contacts != NEVER)
        ohms = np.where(made, ohms, OPEN_OHMS)
    ohms = np.where(lanes.blown[part], OPEN_OHMS, ohms)
    shaky = faulty & (n.fault_loose[fault] != 0)
    touching = np.where(shaky, ohms + LOOSE_OHMS, ohms)
    return np.stack([touching, np.where(shaky, OPEN_OHMS, ohms)], axis=-1)
