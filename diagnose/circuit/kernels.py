"""What circuits settle to and what the instruments read, in compiled code.

Circuit by circuit, since one takes a microsecond: for each fault set, run through the plain
conditions once, so that fuses which a short would blow have blown; then, rig by rig, let relays
pull in and drop out until nothing changes, and read the observables.

All in one file, because numba's cache on disk does not notice a change in a function that was
compiled in from another. The tables are those of `diagnose.circuit.tables`.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import math

from diagnose.circuit.codes import (
    ALWAYS,
    AMPS,
    COIL,
    DIODE,
    GENERATOR,
    LAMP,
    LEVEL,
    LOOSE,
    NEVER,
    NONE,
    OHMS,
    REFERENCE,
    RELAY,
    VISIBLE,
    VOLTS,
)
from diagnose.compiled import njit

BLOW_RATIO = 1.35
"""A blade fuse must open when it carries this multiple of its rating (ISO 8820-3)."""

SAME_AMPS = 1e-9
"""Fuses in one line carry the same current but for rounding; the first in the file blows."""

MAX_STEPS = 64
"""Steps after which a circuit that has neither settled nor come round counts as chattering."""

FAINT_AMPS = 0.01
"""A diode that carries less may be one that a meter's few microamps stop; far above both them and
what rounding leaves of a difference of volts."""

PULLS_IN, CHATTERS, SILENT = 0.0, 1.0, 2.0


@njit(nogil=True, error_model="numpy")
def eliminate(plan, siemens, leak_siemens, edges, ohms):
    """Eliminate net after net, whatever current flows.

    Args:
        plan: the topology.
        siemens: (elements,) conductances, >= 0.
        leak_siemens: conductance from every net to the reference, > 0 so that a floating net
            has a voltage at all.
        edges: (2, edges + 1 or nets) filled in: of every edge when its star goes, of every net to
            the reference.
        ohms: (nets,) filled in: one over the sum of each star's conductances.
    """
    between, ground = edges[0], edges[1]
    between[: plan.n_edges + 1] = 0.0
    ground[: plan.n_nets] = leak_siemens
    for element in range(siemens.shape[0]):
        place = plan.place[element]
        if place >= 0:
            between[place] += siemens[element]
        else:
            ground[-1 - place] += siemens[element]
    for number in range(plan.n_nets):
        star = plan.star[number]
        total = ground[star]
        for arm in range(plan.arms[number], plan.arms[number + 1]):
            total += between[plan.arm_edge[arm]]
        ohms[star] = 1.0 / total
        for arm in range(plan.arms[number], plan.arms[number + 1]):
            share = between[plan.arm_edge[arm]] * ohms[star]
            ground[plan.arm_net[arm]] += ground[star] * share
        for line in range(plan.meshes[number], plan.meshes[number + 1]):
            one, other, joined = plan.mesh[line]
            between[joined] += between[one] * between[other] * ohms[star]


@njit(nogil=True)
def drive(plan, between, ohms, amps, volts):
    """Volts of every net of an eliminated circuit with these currents injected.

    Args:
        plan: the topology.
        between: (edges + 1,) as `eliminate` leaves them.
        ohms: (nets,) likewise.
        amps: (nets,) current injected into each net; overwritten.
        volts: (nets,) filled in.
    """
    for number in range(plan.n_nets):
        star = plan.star[number]
        for arm in range(plan.arms[number], plan.arms[number + 1]):
            share = between[plan.arm_edge[arm]] * ohms[star]
            amps[plan.arm_net[arm]] += amps[star] * share
    for number in range(plan.n_nets - 1, -1, -1):
        star = plan.star[number]
        driven = amps[star]
        for arm in range(plan.arms[number], plan.arms[number + 1]):
            driven += between[plan.arm_edge[arm]] * volts[plan.arm_net[arm]]
        volts[star] = driven * ohms[star]


@njit(nogil=True)
def across(volts, plus, minus):
    """Volts of one net against another."""
    high = volts[plus] if plus != REFERENCE else 0.0
    return high - volts[minus] if minus != REFERENCE else high


@njit(nogil=True)
def made(closed, contacts):
    """Whether contacts conduct, given what they should do and what their state makes of it."""
    return (closed or contacts == ALWAYS) and contacts != NEVER


@njit(nogil=True)
def path_ohms(t, state, touching):
    """Ohms of a main path in a state."""
    ohms = t.states[state].ohms
    if t.states[state].loose:
        return ohms + t.loose_ohms if touching else t.open_ohms
    return ohms


@njit(nogil=True, error_model="numpy")
def put(t, siemens, rig, part, state, touching):
    """Write the elements of a part in a state; relays and controllers still as open contacts."""
    own, closed, out = t.parts[part], t.closed[rig, part], t.unplugged[rig, part]
    if own.main == NONE:  # no current flows through it
        return
    joined = not out and not own.gated and (own.source != GENERATOR or closed)
    if own.switched:
        joined = joined and made(closed, t.states[state].contacts)
    siemens[own.main] = 1.0 / (path_ohms(t, state, touching) if joined else t.open_ohms)
    if own.coil != NONE:
        siemens[own.coil] = 1.0 / (t.open_ohms if out else t.states[state].coil_ohms)
    if own.short != NONE and not out:
        siemens[own.short] = 1.0 / t.states[state].short_ohms


@njit(nogil=True)
def emf_of(t, siemens, rig, part, state):
    """Volts that a source drives; 0 for other parts and what stands still or does not conduct."""
    source = t.parts[part].source
    if source == 0 or (source == GENERATOR and not t.closed[rig, part]):
        return 0.0
    if source == DIODE and siemens[t.parts[part].main] * t.open_ohms < 2.0:
        return 0.0  # it does not conduct
    return t.states[state[part]].emf


@njit(nogil=True)
def is_worked(t, rig, row, own, volts, before):
    """Whether these volts work a relay's or controller's contacts; `before`: they were worked."""
    gate = t.gates[row]
    if t.unplugged[rig, gate.part]:
        return False
    for number in range(gate.first_input, gate.end_input):
        given = t.inputs[number]
        met = across(volts, given.plus, given.minus)
        if gate.by_coil:
            met = abs(met)
        least = given.low if math.isnan(own) else own
        if gate.drop_out > 0.0 and before:
            least = gate.drop_out
        if not (met >= least and met < given.high):
            return False
    return True


@njit(nogil=True, error_model="numpy")
def stand(t, plan, w, rig, state, touching, code):
    """Solve with the contacts held as a code says, the first gated part its highest digit."""
    gates = t.gates.shape[0]
    for row in range(gates):
        part = t.gates[row].part
        moved = (code >> (gates - 1 - row)) & 1 != 0
        joined = made(moved != t.gates[row].normally_closed, t.states[state[part]].contacts)
        joined = joined and not t.unplugged[rig, part]
        ohms = path_ohms(t, state[part], touching) if joined else t.open_ohms
        w.siemens[t.parts[part].main] = 1.0 / ohms
    w.amps[:] = 0.0
    for number in range(t.sources.shape[0]):
        part = t.sources[number]
        element = t.parts[part].main
        amps = emf_of(t, w.siemens, rig, part, state) * w.siemens[element]
        if t.ends[element, 0] != REFERENCE:
            w.amps[t.ends[element, 0]] += amps
        if t.ends[element, 1] != REFERENCE:
            w.amps[t.ends[element, 1]] -= amps
    eliminate(plan, w.siemens, t.leak_siemens, w.edges, w.ohms)
    drive(plan, w.edges[0], w.ohms, w.amps, w.volts)


@njit(nogil=True)
def metered(t, plan, w, plus, minus):
    """What a meter shows between two nets: it loads what it measures (Thevenin 1883)."""
    w.amps[:] = 0.0
    if plus != REFERENCE:
        w.amps[plus] = 1.0
    if minus != REFERENCE:
        w.amps[minus] -= 1.0
    drive(plan, w.edges[0], w.ohms, w.amps, w.rise)
    inner = across(w.rise, plus, minus)
    return across(w.volts, plus, minus) / (1.0 + inner * t.meter_siemens)


@njit(nogil=True)
def load_by_meter(t, plan, w, plus, minus):
    """What was solved, with a meter between two nets as well; nothing where they are one."""
    if plus != minus:
        drawn = metered(t, plan, w, plus, minus) * t.meter_siemens
        for net in range(w.volts.shape[0]):
            w.volts[net] -= drawn * w.rise[net]


@njit(nogil=True)
def settle(t, plan, w, rig, touching, plus, minus):
    """Solve from rest until no contact moves or the circuit comes round in a circle.

    Of a circle, the state with the highest code is left solved: contacts pulled in. A meter lies
    between `plus` and `minus` where they differ.

    Returns:
        Code of the contacts worked, code with them let go, and code of what never comes to rest.
    """
    gates, code, steps, first = t.gates.shape[0], 0, 0, -1
    while steps < MAX_STEPS and first < 0:
        stand(t, plan, w, rig, w.state, touching, code)
        load_by_meter(t, plan, w, plus, minus)
        w.path[steps] = code
        steps += 1
        now = 0
        for row in range(gates):
            # What one coil works moves together, and stays where its first contacts are welded.
            asked = row if t.gates[row].leader == NONE else t.gates[row].leader
            own = t.states[w.state[t.gates[asked].part]]
            before = (code >> (gates - 1 - asked)) & 1 != 0
            worked = is_worked(t, rig, asked, own.pull_in, w.volts, before)
            if asked != row and own.contacts == ALWAYS:
                worked = not t.gates[asked].normally_closed
            now = 2 * now + (1 if worked else 0)
        if now == code:
            return code, code, 0
        for step in range(steps - 1):
            if w.path[step] == now:
                first = step
        code = now
    highest = lowest = every = some = w.path[max(first, 0)]
    for step in range(max(first, 0), steps):
        highest, lowest = max(highest, w.path[step]), min(lowest, w.path[step])
        every, some = every & w.path[step], some | w.path[step]
    stand(t, plan, w, rig, w.state, touching, highest)
    load_by_meter(t, plan, w, plus, minus)
    return highest, lowest, some & ~every


@njit(nogil=True)
def hook_up(t, w, rig, faults, touching):
    """The circuit of a fault set in a rig, but for its contacts; whether a joint is loose.

    A good part on trial has no fault, and its fuse has not blown.
    """
    w.siemens[:], w.state[:] = w.good[rig], t.parts.good
    forced, loose = t.rigs[rig].forced, False
    for place in range(faults.shape[0]):
        fault = faults[place]
        if fault == NONE:
            continue
        part = t.states[fault].part
        if forced != NONE and forced in (part, t.parts[part].goes_with):
            continue
        w.state[part] = fault
        put(t, w.siemens, rig, part, fault, touching)
        loose = loose or t.states[fault].loose
    for place in range(faults.shape[0]):
        other = t.states[faults[place]].acts_as if faults[place] != NONE else NONE
        part = t.states[other].part
        # What a part has of its own goes before what another has it act as.
        if other != NONE and w.state[part] == t.parts[part].good:
            w.state[part] = other
            put(t, w.siemens, rig, part, other, touching)
    for number in range(t.fuses.shape[0]):
        part = t.fuses[number]
        if w.blown[part] and part != forced:
            w.siemens[t.parts[part].main] = 1.0 / t.open_ohms
    return loose


@njit(nogil=True)
def amps_through(t, w, rig, part):
    """Current through a part's main path, without its sign."""
    element = t.parts[part].main
    fall = across(w.volts, t.ends[element, 0], t.ends[element, 1])
    return abs(fall - emf_of(t, w.siemens, rig, part, w.state)) * w.siemens[element]


@njit(nogil=True)
def blow_fuses(t, plan, w, faults):
    """Mark the fuses that blow, one by one, the most overloaded in any plain condition first."""
    w.blown[:] = False
    for rig in range(t.n_history):
        blows = t.fuses.shape[0] > 0
        while blows:
            hook_up(t, w, rig, faults, True)
            settle(t, plan, w, rig, True, REFERENCE, REFERENCE)
            worst, most = NONE, 0.0
            for number in range(t.fuses.shape[0]):
                part = t.fuses[number]
                if not w.blown[part]:
                    ratio = amps_through(t, w, rig, part) / t.parts[part].fuse_amps
                    if ratio > most * (1.0 + SAME_AMPS):
                        worst, most = part, ratio
            blows = most >= BLOW_RATIO
            if blows:
                w.blown[worst] = True


@njit(nogil=True)
def turns_a_diode(t, w, shown):
    """Whether a meter that shows so many volts may make a diode conduct, or stop it."""
    for number in range(t.sources.shape[0]):
        part = t.sources[number]
        if t.parts[part].source != DIODE:
            continue
        element, drop = t.parts[part].main, t.states[w.state[part]].emf
        fall = across(w.volts, t.ends[element, 0], t.ends[element, 1])
        rise = across(w.rise, t.ends[element, 0], t.ends[element, 1])
        if w.siemens[element] * t.open_ohms < 2.0:
            if fall - shown * t.meter_siemens * rise >= drop:
                return True
        elif (fall - drop) * w.siemens[element] < FAINT_AMPS:
            return True
    return False


@njit(nogil=True)
def voltmeter(t, plan, w, rig, column, worked, touching):
    """What a meter shows; where it takes what little a diode carries, the circuit settles anew."""
    seen = t.observables[column]
    shown = metered(t, plan, w, seen.plus, seen.minus)
    if turns_a_diode(t, w, shown):
        settle(t, plan, w, rig, touching, seen.plus, seen.minus)
        shown = across(w.volts, seen.plus, seen.minus)
        stand(t, plan, w, rig, w.state, touching, worked)
    return shown


@njit(nogil=True)
def observe(t, plan, w, rig, column, worked, moving):
    """Read one observable of a circuit that has settled."""
    seen = t.observables[column]
    if seen.kind == AMPS:
        return amps_through(t, w, rig, seen.part)
    if seen.kind == RELAY:
        bit = t.gates.shape[0] - 1 - t.parts[seen.part].gate
        if (moving >> bit) & 1:
            return CHATTERS
        return PULLS_IN if (worked >> bit) & 1 else SILENT
    if seen.kind == LEVEL:
        element = t.parts[seen.part].main
        # A motor turns and a lamp lights whichever way the current runs.
        volts = abs(across(w.volts, t.ends[element, 0], t.ends[element, 1]))
        level = 0
        for number in range(seen.first_level, seen.end_level):
            level += volts < t.level_volts[number]
        # No better than its fault allows.
        worst = seen.end_level - seen.first_level
        return float(max(level, min(t.states[w.state[seen.part]].at_best, worst)))
    if seen.kind == LAMP:
        return abs(across(w.volts, seen.plus, seen.minus))
    return metered(t, plan, w, seen.plus, seen.minus)


@njit(nogil=True)
def inspect(t, w, rig, column, touching):
    """Ohms in series, chance to see damage, or looseness, of parts that are not energised."""
    seen, total, unseen = t.observables[column], 0.0, 1.0
    for number in range(seen.first_part, seen.end_part):
        part = t.of_part[number]
        own, state = t.parts[part], w.state[part]
        in_it = t.states[state]
        if seen.kind == COIL:  # a coil is unplugged; it does not come and go
            total += in_it.coil_ohms
        elif seen.kind == OHMS:
            closed = t.closed[rig, part] if own.switched else own.rests_closed
            through = not (own.switched or own.gated) or made(closed, in_it.contacts)
            through = through and not w.blown[part]
            total += path_ohms(t, state, touching) if through else t.open_ohms
        elif seen.kind == LOOSE:
            total = max(total, 1.0 if in_it.moved else 0.0)
        else:
            burnt = max(in_it.visible, own.blown_visible)
            unseen *= 1.0 - (burnt if w.blown[part] else in_it.visible)
    return 1.0 - unseen if seen.kind == VISIBLE else total


@njit(nogil=True)
def read_rig(t, plan, w, rig, faults, out):
    """Everything read from one rig, (observables, 2): twice where it does not hold still."""
    loose = hook_up(t, w, rig, faults, True)
    worked = moving = let_go = 0
    solved = t.rigs[rig].solved
    if solved:
        worked, let_go, moving = settle(t, plan, w, rig, True, REFERENCE, REFERENCE)
    steady, touching = not loose and not moving, True
    for which in range(2):
        if which == 1 and loose:
            touching = False
            hook_up(t, w, rig, faults, False)
            if solved:
                worked, _, moving = settle(t, plan, w, rig, False, REFERENCE, REFERENCE)
        elif which == 1 and moving:
            stand(t, plan, w, rig, w.state, True, let_go)
            worked = let_go
        for number in range(t.rigs[rig].first_read, t.rigs[rig].end_read):
            column = t.read[number]
            if which == 1 and steady:
                out[column, 1] = out[column, 0]
            elif t.observables[column].kind == VOLTS and not moving:
                out[column, which] = voltmeter(t, plan, w, rig, column, worked, touching)
            elif t.observables[column].kind < OHMS:
                out[column, which] = observe(t, plan, w, rig, column, worked, moving)
            else:
                out[column, which] = inspect(t, w, rig, column, which == 0)


@njit(nogil=True)
def read_all(t, plan, w, fault_sets, out):
    """(cases, observables, 2) everything read under many fault sets; `out` is filled in."""
    for rig in range(t.rigs.shape[0]):
        w.good[rig] = 0.0
        for part in range(t.parts.shape[0]):
            put(t, w.good[rig], rig, part, t.parts[part].good, True)
        for number in range(t.inside.shape[0]):
            part, element = t.inside[number]
            joined = not t.unplugged[rig, part]
            w.good[rig, element] = 1.0 / (t.inside_ohms[number] if joined else t.open_ohms)
        if t.rigs[rig].extra != NONE:
            w.good[rig, t.rigs[rig].extra] = t.rigs[rig].extra_siemens
    for case in range(fault_sets.shape[0]):
        blow_fuses(t, plan, w, fault_sets[case])
        for rig in range(t.rigs.shape[0]):
            if t.rigs[rig].end_read > t.rigs[rig].first_read:
                read_rig(t, plan, w, rig, fault_sets[case], out[case])
