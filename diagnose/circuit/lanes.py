"""Element values of many circuits side by side.

A *lane* is one circuit: a fault set hooked up in one rig, its loose joints all touching or all
apart. Every array here has one column per lane, so that what is done once is done for all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.circuit.mesh import REFERENCE
from diagnose.circuit.netlist import ALWAYS, LOOSE_OHMS, NEVER, NONE
from diagnose.machine.model import OPEN_OHMS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.circuit.rigs import Circuit

    Ints = NDArray[np.int32]
    Bools = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Number = int | np.signedinteger[Any]


@dataclass(frozen=True, eq=False)
class Lanes:
    """Circuits side by side.

    Attributes:
        circuit: elements, rigs and faults.
        rig: (lanes,) rig each is hooked up in.
        faults: (width, lanes) fault numbers, `NONE` for none or where the part is replaced.
        blown: (parts, lanes) fuses that an overload has blown before.
        touching: whether loose joints make contact.
    """

    circuit: Circuit
    rig: Ints
    faults: Ints
    blown: Bools
    touching: bool = True

    def __len__(self) -> int:
        return len(self.rig)

    def take(self, where: Ints | Bools | NDArray[np.int64]) -> Lanes:
        """Some of the lanes."""
        rig, faults, blown = self.rig[where], self.faults[:, where], self.blown[:, where]
        return Lanes(self.circuit, rig, faults, blown, self.touching)

    @cached_property
    def fault_part(self) -> Ints:
        """(width, lanes) part of each fault, `NONE` for none."""
        return _owners(self.circuit, self.faults)

    def state_of(self, part: Number) -> Ints:
        """(lanes,) state of a part: the fault it has, or good."""
        state = np.full(len(self), self.circuit.netlist.good[part], dtype=np.int32)
        for fault, owner in zip(self.faults, self.fault_part, strict=True):
            np.copyto(state, fault, where=owner == part)
        return state

    def loose(self) -> Bools:
        """(lanes,) whether a joint is loose."""
        loose = self.circuit.netlist.loose[self.faults] & (self.faults >= 0)
        any_loose: Bools = np.logical_or.reduce(loose, axis=0)
        return any_loose


def _owners(circuit: Circuit, faults: Ints) -> Ints:
    return np.where(faults >= 0, circuit.netlist.part[faults], NONE).astype(np.int32)


def make_lanes(circuit: Circuit, rig: Ints, faults: Ints, blown: Bools) -> Lanes:
    """Hook fault sets up in rigs; a rig's good part on trial has neither fault nor blown fuse.

    Args:
        circuit: the machine's.
        rig: (lanes,) rigs.
        faults: (lanes, width) fault numbers, `NONE` for none.
        blown: (lanes, parts) blown fuses.
    """
    forced, owner = circuit.rigs.forced[rig][:, None], _owners(circuit, faults)
    along = np.where(owner == NONE, NONE, circuit.netlist.goes_with[owner])
    kept = np.where((forced == owner) | ((forced == along) & (along != NONE)), NONE, faults)
    still = blown & (np.arange(blown.shape[1]) != forced)
    return Lanes(circuit, rig, kept.T.astype(np.int32), still.T)


def element_siemens(lanes: Lanes) -> Floats:
    """(elements, lanes) conductances; relays and controllers still as open contacts."""
    n, r = lanes.circuit.netlist, lanes.circuit.rigs
    good = np.zeros((len(n.ends) + len(r.extra_ends), len(r.forced)))
    rig, owner = (index.ravel() for index in np.indices(r.closed.shape))
    _put(lanes, good, rig, rig, n.good[owner])
    wired = np.flatnonzero(r.extra != NONE)
    good[r.extra[wired], wired] = r.extra_siemens[wired]
    siemens = good[:, lanes.rig]
    for fault in lanes.faults:
        at = np.flatnonzero(fault >= 0)
        if len(at):
            _put(lanes, siemens, at, lanes.rig[at], fault[at])
    for part in np.flatnonzero(n.fuse_amps):
        siemens[n.main[part], lanes.blown[part]] = 1.0 / OPEN_OHMS
    return siemens


def _put(
    lanes: Lanes, siemens: Floats, column: NDArray[np.int64], rig: NDArray[Any], state: Ints
) -> None:
    """Write the elements of a part in a state, one for each of the columns, there in a rig."""
    n, r = lanes.circuit.netlist, lanes.circuit.rigs
    part = n.part[state]
    closed, out = r.closed[rig, part], r.unplugged[rig, part]
    made = np.where(n.switched[part], contacts_made(closed, n.contacts[state]), True)
    made &= ~out & ~n.gated[part] & ((n.source[part] != 2) | closed)
    siemens[n.main[part], column] = 1.0 / np.where(made, _path_ohms(lanes, state), OPEN_OHMS)
    coil = np.flatnonzero(n.coil[part] != NONE)
    ohms = np.where(out[coil], OPEN_OHMS, n.coil_ohms[state[coil]])
    siemens[n.coil[part[coil]], column[coil]] = 1.0 / ohms
    short = np.flatnonzero((n.short[part] != NONE) & ~out)
    siemens[n.short[part[short]], column[short]] = 1.0 / n.short_ohms[state[short]]


def contacts_made(closed: Bools, contacts: NDArray[np.int64]) -> Bools:
    """Whether contacts conduct, given what they should do and what their state makes of it."""
    made: Bools = (closed | (contacts == ALWAYS)) & (contacts != NEVER)
    return made


def _path_ohms(lanes: Lanes, state: Ints) -> Floats:
    """Ohms of a main path in a state."""
    n = lanes.circuit.netlist
    ohms = n.ohms[state]
    return np.where(n.loose[state], ohms + LOOSE_OHMS if lanes.touching else OPEN_OHMS, ohms)


def set_contacts(lanes: Lanes, siemens: Floats, worked: Bools) -> None:
    """Write the conductances of relays and controllers into siemens, (elements, lanes).

    Which contacts are worked is given as (gated parts, lanes).
    """
    n, r = lanes.circuit.netlist, lanes.circuit.rigs
    for (part, gate), moved in zip(n.gates.items(), worked, strict=True):
        state = lanes.state_of(part)
        made = contacts_made(moved != gate.normally_closed, n.contacts[state])
        made &= ~r.unplugged[lanes.rig, part]
        siemens[n.main[part]] = 1.0 / np.where(made, _path_ohms(lanes, state), OPEN_OHMS)


def part_emf(lanes: Lanes, part: Number) -> Floats:
    """(lanes,) volts that a source drives; 0 for other parts and a generator that stands still."""
    n = lanes.circuit.netlist
    if not n.source[part]:
        return np.zeros(len(lanes))
    turns = (n.source[part] != 2) | lanes.circuit.rigs.closed[lanes.rig, part]
    return np.where(turns, n.emf[lanes.state_of(part)], 0.0)


def source_amps(lanes: Lanes, siemens: Floats) -> Floats:
    """(nets, lanes) current injected by the sources behind their inner resistance (Norton)."""
    n = lanes.circuit.netlist
    injected = np.zeros((len(n.nets), len(lanes)))
    for part in np.flatnonzero(n.source):
        amps = part_emf(lanes, part) * siemens[n.main[part]]
        for net, sign in zip(n.ends[n.main[part]], (1.0, -1.0), strict=True):
            if net != REFERENCE:
                injected[net] += sign * amps
    return injected
