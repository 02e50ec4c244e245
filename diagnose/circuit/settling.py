"""Relays pull in and let go until nothing moves; fuses blow.

From rest, solve, see which contacts are worked, solve again. A circuit that comes back to a state
it has left goes round in a circle: a relay chatters. Its two readings are then taken with the
contacts pulled in and with them let go.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.lanes import (
    element_siemens,
    make_lanes,
    part_emf,
    set_contacts,
    source_amps,
)
from diagnose.circuit.mesh import REFERENCE, solve
from diagnose.circuit.netlist import NONE
from diagnose.machine.model import LEAK_OHMS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.circuit.lanes import Bools, Floats, Ints, Lanes, Number
    from diagnose.circuit.rigs import Circuit

    Codes = NDArray[np.int64]

BLOW_RATIO = 1.35
"""A blade fuse must open when it carries this multiple of its rating (ISO 8820-3)."""

SAME_AMPS = 1e-9
"""Fuses in one line carry the same current but for rounding; the first in the file blows."""

MAX_STEPS = 64
"""Steps after which a circuit that has neither settled nor come round counts as chattering."""


@dataclass(frozen=True, eq=False)
class Settled:
    """Solved circuits.

    Attributes:
        lanes: the circuits.
        siemens: (elements, lanes) conductances.
        volts: (nets, lanes) against the battery's minus post.
        worked: (gated parts, lanes) contacts that are worked.
        moving: (gated parts, lanes) contacts that never come to rest.
        let_go: (lanes,) code of the state with the contacts let go, where they never rest.
    """

    lanes: Lanes
    siemens: Floats
    volts: Floats
    worked: Bools
    moving: Bools
    let_go: Codes

    def take(self, where: NDArray[np.int64]) -> Settled:
        """Some of the circuits."""
        return Settled(
            self.lanes.take(where),
            self.siemens[:, where],
            self.volts[:, where],
            self.worked[:, where],
            self.moving[:, where],
            self.let_go[where],
        )


def across(volts: Floats, plus: int, minus: int) -> Floats:
    """(lanes,) volts of one net against another."""
    high: Floats = volts[plus] if plus != REFERENCE else np.zeros(volts.shape[1])
    return high if minus == REFERENCE else high - volts[minus]


def main_amps(lanes: Lanes, siemens: Floats, volts: Floats, part: Number) -> Floats:
    """(lanes,) current through a part's main path, without its sign."""
    n = lanes.circuit.netlist
    element = n.main[part]
    fall = across(volts, *n.ends[element]) - part_emf(lanes, part)
    amps: Floats = np.abs(fall) * siemens[element]
    return amps


def _solve(lanes: Lanes, siemens: Floats) -> Floats:
    plan = lanes.circuit.plan
    return solve(plan, siemens, 1.0 / LEAK_OHMS, source_amps(lanes, siemens))


def _worked(lanes: Lanes, volts: Floats, before: Bools) -> Bools:
    """(gated parts, lanes) contacts that these volts work; `before` have been worked already."""
    n = lanes.circuit.netlist
    found = np.ones_like(before)
    for row, (part, gate) in enumerate(n.gates.items()):
        own = n.pull_in[lanes.state_of(part)]
        found[row] &= ~lanes.circuit.rigs.unplugged[lanes.rig, part]
        for plus, minus, low, high in gate.inputs:
            met = across(volts, plus, minus)
            if gate.by_coil:
                met = np.abs(met)
            least = np.where(np.isnan(own), low, own)
            if gate.drop_out > 0.0:
                least = np.where(before[row], gate.drop_out, least)
            found[row] &= (met >= least) & (met < high)
    return found


def _code(worked: Bools) -> Codes:
    """(lanes,) the contacts as one number, the first part as its highest digit."""
    code = np.zeros(worked.shape[1], dtype=np.int64)
    for row in worked:
        code = 2 * code + row
    return code


def _decode(code: Codes, n_gated: int) -> Bools:
    digits = np.arange(n_gated - 1, -1, -1)
    found: Bools = (code[None, :] >> digits[:, None]) & 1 != 0
    return found


def settle(lanes: Lanes) -> Settled:
    """Solve circuits from rest until no contact moves or they come round in a circle.

    Of a circle, the state with the highest code is solved: contacts pulled in.
    """
    n_gated = len(lanes.circuit.netlist.gates)
    siemens = element_siemens(lanes)
    volts = np.empty((lanes.circuit.plan.n_nets, len(lanes)))
    codes = np.zeros(len(lanes), dtype=np.int64)
    ends = np.zeros((3, len(lanes)), dtype=np.int64)
    left = np.arange(len(lanes))
    seen: list[Codes] = []
    for _ in range(MAX_STEPS):
        some = lanes.take(left) if len(left) < len(lanes) else lanes
        part = siemens[:, left]
        before = _decode(codes[left], n_gated)
        set_contacts(some, part, before)
        volts[:, left] = found = _solve(some, part)
        siemens[:, left] = part
        seen.append(codes.copy())
        now = _code(_worked(some, found, before))
        moves = now != codes[left]
        round_again = moves & np.any([known[left] == now for known in seen[:-1]], axis=0)
        _close(seen, left[round_again], now[round_again], ends)
        codes[left] = now
        left = left[moves & ~round_again]
        if not len(left):
            break
    _close(seen, left, codes[left], ends)
    moving = np.flatnonzero(ends[2])
    codes[moving] = ends[0, moving]
    worked, shaky = _decode(codes, n_gated), _decode(ends[2], n_gated)
    done = Settled(lanes, siemens, volts, worked, shaky, ends[1])
    if len(moving):
        pulled_in = stand(done.take(moving), codes[moving])
        siemens[:, moving], volts[:, moving] = pulled_in.siemens, pulled_in.volts
    return done


def _close(seen: list[Codes], at: NDArray[np.int64], now: Codes, ends: Codes) -> None:
    """For circuits that came round: highest and lowest code of the circle, and what moves."""
    if not len(at):
        return
    path = np.array([codes[at] for codes in seen])
    hit = path == now
    first = np.where(hit.any(axis=0), len(path) - 1 - hit[::-1].argmax(axis=0), 0)
    inside = np.arange(len(path))[:, None] >= first
    every, least = np.int64(-1), np.iinfo(np.int64).max
    ends[0, at] = np.where(inside, path, -1).max(axis=0)
    ends[1, at] = np.where(inside, path, least).min(axis=0)
    union = np.bitwise_or.reduce(np.where(inside, path, 0), axis=0)
    ends[2, at] = union & ~np.bitwise_and.reduce(np.where(inside, path, every), axis=0)


def stand(settled: Settled, codes: Codes) -> Settled:
    """The same circuits with their contacts held as the codes say."""
    worked, siemens = _decode(codes, len(settled.worked)), settled.siemens.copy()
    set_contacts(settled.lanes, siemens, worked)
    return replace(settled, siemens=siemens, volts=_solve(settled.lanes, siemens), worked=worked)


def blow_fuses(circuit: Circuit, faults: Ints) -> Bools:
    """(cases, parts) fuses that blow, one by one, the most overloaded in any condition first.

    The faults are (cases, width) fault numbers, `NONE` for none.
    """
    n = circuit.netlist
    blown = np.zeros((len(faults), len(n.parts)), dtype=bool)
    fuses = np.flatnonzero(n.fuse_amps)
    for rig in range(circuit.rigs.n_history if len(fuses) else 0):
        left = np.arange(len(faults))
        while len(left):
            rigs = np.full(len(left), rig, dtype=np.int32)
            one = settle(make_lanes(circuit, rigs, faults[left], blown[left]))
            worst = _most_overloaded(one, fuses, blown[left])
            left = left[worst != NONE]
            blown[left, worst[worst != NONE]] = True
    return blown


def _most_overloaded(settled: Settled, fuses: NDArray[np.int64], blown: Bools) -> NDArray[np.int64]:
    """(lanes,) the fuse to blow next, `NONE` where all hold."""
    n = settled.lanes.circuit.netlist
    ratio = np.zeros((len(fuses), len(settled.lanes)))
    for row, part in zip(ratio, fuses, strict=True):
        amps = main_amps(settled.lanes, settled.siemens, settled.volts, part)
        row[:] = np.where(blown[:, part], 0.0, amps / n.fuse_amps[part])
    most = ratio.max(axis=0)
    first = np.argmax(ratio > most * (1.0 - SAME_AMPS), axis=0)
    return np.where(most >= BLOW_RATIO, fuses[first], NONE)
