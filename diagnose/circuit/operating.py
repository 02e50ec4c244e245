"""What a circuit settles to under a set of faults, and what the instruments then read.

For each fault set: apply the faults; run through the plain conditions once, so that fuses which
a short would blow have blown; then, rig by rig, let relays pull in and drop out until nothing
changes, and read the observables. Every reading is given twice. The two differ where the circuit
does not hold still: a loose joint with and without contact, a relay that lets go as soon as it
has pulled in. Equal values mean a steady reading.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numba import njit

from diagnose.circuit.mesh import REFERENCE, solve_into
from diagnose.circuit.netlist import ALWAYS, LOOSE_OHMS, NEVER, NONE
from diagnose.circuit.rigs import AMPS, LAMP, OHMS, RELAY, VISIBLE, VOLTS
from diagnose.machine.model import LEAK_OHMS, OPEN_OHMS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.circuit.rigs import Circuit

    Ints = NDArray[np.int32]
    Bytes = NDArray[np.int8]
    Floats = NDArray[np.float64]

BLOW_RATIO = 1.35
"""A blade fuse must open when it carries this multiple of its rating (ISO 8820-3)."""

MAX_STEPS = 24
"""Relay steps after which a circuit that has not settled counts as chattering."""

WORTH_THREADS = 256
"""Cases from which on the work is shared among the cores."""

PULLS_IN, CHATTERS, SILENT = 0.0, 1.0, 2.0


class _Mesh(NamedTuple):
    element_slot: Ints
    order: Ints
    star_start: Ints
    star_net: Ints
    star_slot: Ints
    pair_start: Ints
    pair_left: Ints
    pair_right: Ints
    pair_slot: Ints


class _Parts(NamedTuple):
    ends: Ints
    main: Ints
    coil: Ints
    short: Ints
    gated: Bytes
    switched: Bytes
    source: Bytes
    fuse_amps: Floats
    normally_closed: Bytes
    inputs: Ints
    input_low: Floats
    input_high: Floats
    drop_out: Floats
    ohms: Floats
    emf: Floats
    coil_ohms: Floats
    blown_visible: Floats


class _Faults(NamedTuple):
    part: Ints
    ohms: Floats
    loose: Bytes
    short_ohms: Floats
    contacts: Bytes
    emf: Floats
    coil_ohms: Floats
    pull_in: Floats
    at_best: Bytes
    visible: Floats


class _Rigs(NamedTuple):
    kind: Bytes
    rig: Ints
    plus: Ints
    minus: Ints
    part: Ints
    thresholds: Floats
    n_levels: Ints
    parts_start: Ints
    parts_flat: Ints
    read_start: Ints
    read: Ints
    closed: Bytes
    unplugged: Bytes
    forced: Ints
    extra: Ints
    extra_siemens: Floats


class _State(NamedTuple):
    """One fault set as applied to the parts, and the work space of one solution."""

    fault: Ints
    blown: Bytes
    pulled: Bytes
    siemens: Floats
    amps_in: Floats
    volts: Floats
    volts_other: Floats
    slots: Floats
    to_reference: Floats
    total: Floats


def evaluate(circuit: Circuit, fault_sets: NDArray[np.int32]) -> NDArray[np.float64]:
    """Readings of all observables for many fault sets.

    Args:
        circuit: from `make_circuit`.
        fault_sets: (cases, width) fault numbers, -1 for none; at most one fault per part.

    Returns:
        (cases, observables, 2) volts, amps, ohms, level index, or 0..1 for what can be seen or
        shaken; the last axis holds the two readings of an unsteady circuit.
    """
    n, r, plan = circuit.netlist, circuit.rigs, circuit.plan
    out = np.empty((len(fault_sets), len(r.names), 2))
    mesh = _Mesh(*(getattr(plan, name) for name in _Mesh._fields))
    parts = _Parts(
        **{name: getattr(n, name) for name in _Parts._fields if hasattr(n, name)},
        ohms=n.ok_ohms,
        emf=n.ok_emf,
        coil_ohms=n.ok_coil_ohms,
    )
    faults = _Faults(*(getattr(n, f"fault_{name}") for name in _Faults._fields))
    rigs = _Rigs(*(getattr(r, name) for name in _Rigs._fields))
    sets = np.ascontiguousarray(fault_sets, dtype=np.int32)

    def solve(rows: slice) -> None:
        _evaluate(mesh, plan.n_slots, parts, faults, rigs, r.n_history, sets[rows], out[rows])

    if len(sets) < WORTH_THREADS:
        solve(slice(None))
    else:
        workers = os.cpu_count() or 1
        edges = np.linspace(0, len(sets), workers + 1).astype(int)
        with ThreadPoolExecutor(workers) as pool:
            list(pool.map(solve, [slice(*edge) for edge in pairwise(edges)]))
    return out


@njit(cache=True, nogil=True)
def _evaluate(mesh, n_slots, parts, faults, rigs, n_history, sets, out):
    n_parts, n_nets = parts.main.shape[0], mesh.order.shape[0]
    state = _State(
        np.zeros(n_parts, np.int32),
        np.zeros(n_parts, np.int8),
        np.zeros(n_parts, np.int8),
        np.zeros(mesh.element_slot.shape[0]),
        np.zeros(n_nets),
        np.zeros(n_nets),
        np.zeros(n_nets),
        np.zeros(n_slots + 1),
        np.zeros(n_nets),
        np.zeros(n_nets),
    )
    for case in range(sets.shape[0]):
        state.fault[:] = NONE
        state.blown[:] = 0
        for i in range(sets.shape[1]):
            if sets[case, i] >= 0:
                state.fault[faults.part[sets[case, i]]] = sets[case, i]
        _one_case(mesh, parts, faults, rigs, n_history, state, out[case])


@njit(cache=True, nogil=True)
def _one_case(mesh, parts, faults, rigs, n_history, state, out):
    _blow_fuses(mesh, parts, faults, rigs, n_history, state)
    for rig in range(rigs.forced.shape[0]):
        if rigs.read_start[rig] == rigs.read_start[rig + 1]:
            continue
        chatters = _settle(mesh, parts, faults, rigs, rig, 0, state)
        _read_rig(parts, faults, rigs, rig, state, state.volts, chatters, out[:, 0])
        other = state.volts_other if chatters else state.volts
        _read_rig(parts, faults, rigs, rig, state, other, chatters, out[:, 1])
        if _any_loose(faults, rigs.forced[rig], state):
            chatters = _settle(mesh, parts, faults, rigs, rig, 1, state)
            _read_rig(parts, faults, rigs, rig, state, state.volts, chatters, out[:, 1])
    for o in range(rigs.kind.shape[0]):
        if rigs.kind[o] >= OHMS:
            out[o, 0] = _inspect(parts, faults, rigs, o, state, 0)
            out[o, 1] = _inspect(parts, faults, rigs, o, state, 1)


@njit(cache=True, nogil=True)
def _read_rig(parts, faults, rigs, rig, state, volts, chatters, out):
    for i in range(rigs.read_start[rig], rigs.read_start[rig + 1]):
        o = rigs.read[i]
        out[o] = _read(parts, faults, rigs, rig, o, state, volts, chatters)


@njit(cache=True, nogil=True)
def _any_loose(faults, forced, state):
    for p in range(state.fault.shape[0]):
        f = state.fault[p]
        if f >= 0 and faults.loose[f] and p != forced:
            return True
    return False


@njit(cache=True, nogil=True)
def _blow_fuses(mesh, parts, faults, rigs, n_history, state):
    """Open, one by one, the fuse most overloaded in any plain condition."""
    for rig in range(n_history):
        while True:
            _settle(mesh, parts, faults, rigs, rig, 0, state)
            worst, ratio = NONE, BLOW_RATIO
            for p in range(parts.fuse_amps.shape[0]):
                if parts.fuse_amps[p] > 0.0 and not state.blown[p]:
                    amps = _main_amps(parts, state, state.volts, p)
                    if amps / parts.fuse_amps[p] >= ratio:
                        worst, ratio = p, amps / parts.fuse_amps[p]
            if worst == NONE:
                break
            state.blown[worst] = 1


@njit(cache=True, nogil=True)
def _main_amps(parts, state, volts, p):
    e = parts.main[p]
    return abs(_across(volts, parts.ends[e, 0], parts.ends[e, 1])) * state.siemens[e]


@njit(cache=True, nogil=True)
def _across(volts, a, b):
    high = volts[a] if a != REFERENCE else 0.0
    return high - (volts[b] if b != REFERENCE else 0.0)


@njit(cache=True, nogil=True)
def _settle(mesh, parts, faults, rigs, rig, variant, state):
    """Solve until no contact moves; True when it never settles (then `volts` is the solution
    with the contacts pulled in and `volts_other` the one with them let go).
    """
    state.pulled[:] = 0
    seen = np.zeros(MAX_STEPS, np.int64)
    code, previous = 0, 0
    for step in range(MAX_STEPS):
        state.volts_other[:] = state.volts
        _assemble(parts, faults, rigs, rig, variant, state)
        solve_into(
            mesh.element_slot,
            mesh.order,
            mesh.star_start,
            mesh.star_net,
            mesh.star_slot,
            mesh.pair_start,
            mesh.pair_left,
            mesh.pair_right,
            mesh.pair_slot,
            state.siemens,
            1.0 / LEAK_OHMS,
            state.amps_in,
            state.slots,
            state.to_reference,
            state.total,
            state.volts,
        )
        seen[step] = code
        previous = code
        code = _worked(parts, faults, rigs.forced[rig], state)
        if code == previous:
            return False
        for earlier in range(step):
            if seen[earlier] == code:
                if previous < code:
                    _swap(state.volts, state.volts_other)
                    code = previous
                return True
    return True


@njit(cache=True, nogil=True)
def _swap(one, two):
    for i in range(one.shape[0]):
        one[i], two[i] = two[i], one[i]


@njit(cache=True, nogil=True)
def _worked(parts, faults, forced, state):
    """Set which gated contacts are worked now; returns them as bits."""
    before = state.pulled.copy()
    for i in range(parts.inputs.shape[0]):
        state.pulled[parts.inputs[i, 0]] = 1
    for i in range(parts.inputs.shape[0]):
        p, a, b = parts.inputs[i, 0], parts.inputs[i, 1], parts.inputs[i, 2]
        low = parts.input_low[i]
        f = state.fault[p] if p != forced else NONE
        if f >= 0 and not np.isnan(faults.pull_in[f]):
            low = faults.pull_in[f]
        if before[p] and parts.drop_out[p] > 0.0:
            low = parts.drop_out[p]
        if not low <= _across(state.volts, a, b) < parts.input_high[i]:
            state.pulled[p] = 0
    code = 0
    for p in range(state.pulled.shape[0]):
        if parts.gated[p]:
            code = 2 * code + state.pulled[p]
    return code


@njit(cache=True, nogil=True)
def _contact_ohms(parts, faults, rigs, rig, state, p, f, ohms):
    contacts = faults.contacts[f] if f >= 0 else 0
    if parts.gated[p]:
        made = state.pulled[p] != parts.normally_closed[p]
    else:
        made = rigs.closed[rig, p] != 0
    if (made or contacts == ALWAYS) and contacts != NEVER:
        return ohms
    return OPEN_OHMS


@njit(cache=True, nogil=True)
def _assemble(parts, faults, rigs, rig, variant, state):
    """Conductances and injected currents of one rig in one variant."""
    state.amps_in[:] = 0.0
    state.siemens[:] = 0.0
    for p in range(parts.main.shape[0]):
        forced = p == rigs.forced[rig]
        f = NONE if forced else state.fault[p]
        out = rigs.unplugged[rig, p]
        loose = f >= 0 and faults.loose[f]
        ohms = faults.ohms[f] if f >= 0 else parts.ohms[p]
        emf = faults.emf[f] if f >= 0 else parts.emf[p]
        if parts.switched[p] or parts.gated[p]:
            ohms = _contact_ohms(parts, faults, rigs, rig, state, p, f, ohms)
        if loose and not parts.gated[p]:
            ohms = ohms + LOOSE_OHMS if variant == 0 else OPEN_OHMS
        idle = parts.source[p] == 2 and not rigs.closed[rig, p]
        if out or idle or (state.blown[p] and not forced):
            ohms = OPEN_OHMS
        e = parts.main[p]
        state.siemens[e] = 1.0 / ohms
        if parts.source[p] and not idle:
            if parts.ends[e, 0] != REFERENCE:
                state.amps_in[parts.ends[e, 0]] += emf / ohms
            if parts.ends[e, 1] != REFERENCE:
                state.amps_in[parts.ends[e, 1]] -= emf / ohms
        if parts.coil[p] != NONE:
            coil = faults.coil_ohms[f] if f >= 0 else parts.coil_ohms[p]
            if out or (loose and variant == 1):
                coil = OPEN_OHMS
            state.siemens[parts.coil[p]] = 1.0 / coil
        if parts.short[p] != NONE and f >= 0 and not out:
            state.siemens[parts.short[p]] = 1.0 / faults.short_ohms[f]
    if rigs.extra[rig] != NONE:
        state.siemens[rigs.extra[rig]] = rigs.extra_siemens[rig]


@njit(cache=True, nogil=True)
def _read(parts, faults, rigs, rig, o, state, volts, chatters):
    kind, p = rigs.kind[o], rigs.part[o]
    if kind == VOLTS:
        return _across(volts, rigs.plus[o], rigs.minus[o])
    if kind == LAMP:
        return abs(_across(volts, rigs.plus[o], rigs.minus[o]))
    if kind == AMPS:
        return _main_amps(parts, state, volts, p)
    if kind == RELAY:
        if chatters:
            return CHATTERS
        return PULLS_IN if state.pulled[p] else SILENT
    e = parts.main[p]
    across = _across(volts, parts.ends[e, 0], parts.ends[e, 1])
    level = 0
    while level < rigs.n_levels[o] - 1 and across < rigs.thresholds[o, level]:
        level += 1
    f = state.fault[p] if p != rigs.forced[rig] else NONE
    if f >= 0:
        level = max(level, min(faults.at_best[f], rigs.n_levels[o] - 1))
    return float(level)


@njit(cache=True, nogil=True)
def _inspect(parts, faults, rigs, o, state, variant):
    """Ohms in series, chance to see damage, or looseness of a list of parts."""
    ohms, unseen, loose = 0.0, 1.0, 0.0
    rig = rigs.rig[o]
    for i in range(rigs.parts_start[o], rigs.parts_start[o + 1]):
        p = rigs.parts_flat[i]
        f = state.fault[p]
        value = faults.ohms[f] if f >= 0 else parts.ohms[p]
        if parts.switched[p] or parts.gated[p]:
            contacts = faults.contacts[f] if f >= 0 else 0
            made = rigs.closed[rig, p] != 0 if parts.switched[p] else parts.normally_closed[p] != 0
            if contacts == NEVER or (contacts != ALWAYS and not made):
                value = OPEN_OHMS
        visible = faults.visible[f] if f >= 0 else 0.0
        if state.blown[p]:
            value = OPEN_OHMS
            visible = max(visible, parts.blown_visible[p])
        if f >= 0 and faults.loose[f]:
            value = value + LOOSE_OHMS if variant == 0 else OPEN_OHMS
            loose = 1.0
        ohms += value
        unseen *= 1.0 - visible
    if rigs.kind[o] == OHMS:
        return ohms
    return 1.0 - unseen if rigs.kind[o] == VISIBLE else loose
