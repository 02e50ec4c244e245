"""What a circuit settles to under a set of faults, and what the instruments then read.

For each fault set: apply the faults; run through the plain conditions once, so that fuses which
a short would blow have blown; then, rig by rig, let relays pull in and drop out until nothing
changes, and read the observables. Every reading is given twice. The two differ where the circuit
does not hold still: a loose joint with and without contact, a relay that lets go as soon as it
has pulled in. Equal values mean a steady reading.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from functools import reduce
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.lanes import contacts_made, make_lanes
from diagnose.circuit.netlist import LOOSE_OHMS
from diagnose.circuit.rigs import AMPS, COIL, LAMP, LEVEL, LOOSE, OHMS, RELAY
from diagnose.circuit.settling import across, blow_fuses, main_amps, settle, stand
from diagnose.machine.model import OPEN_OHMS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from diagnose.circuit.lanes import Bools, Floats, Ints, Lanes
    from diagnose.circuit.rigs import Circuit, Observable
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
    out = np.empty((len(faults), len(circuit.rigs.observables), 2))
    blown = np.empty((len(faults), len(circuit.netlist.parts)), dtype=bool)
    for start in range(0, len(faults), BLOCK):
        block = slice(start, start + BLOCK)
        blown[block] = blow_fuses(circuit, faults[block])
    solved: dict[int, list[tuple[int, Observable]]] = defaultdict(list)
    for column, observable in enumerate(circuit.rigs.observables):
        if observable.kind < OHMS:
            solved[observable.rig].append((column, observable))
        else:
            out[:, column] = _inspect(circuit, observable, faults, blown)
    for case, rig in _blocks(sorted(solved), len(faults)):
        lanes = make_lanes(circuit, rig, faults[case], blown[case])
        for settled, at, which in _both_readings(lanes):
            for number in np.unique(rig[at]):
                here = np.flatnonzero(rig[at] == number)
                some, cases = settled.take(here), case[at[here]]
                for column, observable in solved[int(number)]:
                    out[cases, column, which] = _observed(some, observable)[:, None]
    return out


def _blocks(rigs: list[int], n_cases: int) -> Iterator[tuple[Ints, Ints]]:
    """(case, rig) of the circuits to solve, rig by rig, in blocks."""
    for start in range(0, len(rigs) * n_cases, BLOCK):
        number = np.arange(start, min(start + BLOCK, len(rigs) * n_cases))
        rig = np.array(rigs, dtype=np.int32)[number // n_cases]
        yield (number % n_cases).astype(np.int32), rig


def _both_readings(lanes: Lanes) -> Iterator[tuple[Settled, NDArray[np.int64], slice]]:
    """Circuits that have settled, which of the lanes they are, and which readings they give."""
    settled = settle(lanes)
    yield settled, np.arange(len(lanes)), slice(0, 2)
    moving = np.flatnonzero(settled.moving.any(axis=0))
    if len(moving):
        some = settled.take(moving)
        yield stand(some, some.let_go), moving, slice(1, 2)
    loose = np.flatnonzero(lanes.loose())
    if len(loose):
        yield settle(replace(lanes.take(loose), touching=False)), loose, slice(1, 2)


def _observed(settled: Settled, observable: Observable) -> Floats:
    """(lanes,) one observable."""
    if observable.kind == AMPS:
        return main_amps(settled.lanes, settled.siemens, settled.volts, observable.part)
    if observable.kind == RELAY:
        row = list(settled.lanes.circuit.netlist.gates).index(observable.part)
        still = np.where(settled.worked[row], PULLS_IN, SILENT)
        return np.where(settled.moving[row], CHATTERS, still)
    if observable.kind == LEVEL:
        return _level(settled, observable)
    volts = across(settled.volts, observable.plus, observable.minus)
    return np.abs(volts) if observable.kind == LAMP else volts


def _level(settled: Settled, observable: Observable) -> Floats:
    """How well a load works: by the volts across it, and no better than its fault allows."""
    n = settled.lanes.circuit.netlist
    volts = across(settled.volts, *n.ends[n.main[observable.part]])
    level = np.sum(volts[:, None] < np.array(observable.levels), axis=1)
    at_best = n.at_best[settled.lanes.state_of(observable.part)]
    worst = len(observable.levels)
    found: Floats = np.maximum(level, np.minimum(at_best, worst)).astype(np.float64)
    return found


def _inspect(circuit: Circuit, observable: Observable, faults: Ints, blown: Bools) -> Floats:
    """(cases, 2) ohms in series, or (cases, 1) chance to see damage, or looseness, of parts."""
    n = circuit.netlist
    rigs = np.full(len(faults), observable.rig, dtype=np.int32)
    lanes = make_lanes(circuit, rigs, faults, blown)
    states = [(part, lanes.state_of(part)) for part in observable.parts]
    if observable.kind in (OHMS, COIL):  # a coil is unplugged; it does not come and go
        ohms: Floats = np.sum(
            [
                n.coil_ohms[state][:, None]
                if observable.kind == COIL
                else _isolated_ohms(lanes, part, state)
                for part, state in states
            ],
            axis=0,
        )
        return ohms
    if observable.kind == LOOSE:
        return reduce(np.maximum, [n.loose[state] for _, state in states]).astype(float)[:, None]
    unseen = np.ones(len(faults))
    for part, state in states:
        visible = n.visible[state]
        burnt = np.maximum(visible, n.blown_visible[part])
        unseen *= 1.0 - np.where(blown[:, part], burnt, visible)
    seen: Floats = 1.0 - unseen[:, None]
    return seen


def _isolated_ohms(lanes: Lanes, part: int, state: Ints) -> Floats:
    """(lanes, 2) ohms of a part by itself, contacts at rest; a loose one touching, and apart."""
    n = lanes.circuit.netlist
    ohms = n.ohms[state]
    if n.switched[part] or part in n.gates:
        rest = np.full(len(lanes), part in n.gates and n.gates[part].normally_closed)
        closed = lanes.circuit.rigs.closed[lanes.rig, part] if n.switched[part] else rest
        ohms = np.where(contacts_made(closed, n.contacts[state]), ohms, OPEN_OHMS)
    ohms = np.where(lanes.blown[part], OPEN_OHMS, ohms)
    loose = n.loose[state]
    touching = np.where(loose, ohms + LOOSE_OHMS, ohms)
    return np.stack([touching, np.where(loose, OPEN_OHMS, ohms)], axis=-1)
