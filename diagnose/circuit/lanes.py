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
        return Lanes(
            self.circuit,
            self.rig[where],
            self.faults[:, where],
            self.blown[:, where],
            self.touching,
        )

    @cached_property
    def fault_part(self) -> Ints:
        """(width, lanes) part of each fault, `NONE` for none."""
        parts = self.circuit.netlist.fault_part
        return np.where(self.faults >= 0, parts[self.faults], NONE).astype(np.int32)

    def fault_of(self, part: Number) -> Ints:
        """(lanes,) fault that a part has, `NONE` when it is good."""
        found = np.full(len(self), NONE, dtype=np.int32)
        for fault, owner in zip(self.faults, self.fault_part, strict=True):
            np.copyto(found, fault, where=owner == part)
        return found

    def loose(self) -> Bools:
        """(lanes,) whether a joint is loose."""
        loose = (self.circuit.netlist.fault_loose[self.faults] != 0) & (self.faults >= 0)
        found: Bools = np.logical_or.reduce(loose, axis=0)
        return found


def make_lanes(circuit: Circuit, rig: Ints, faults: Ints, blown: Bools) -> Lanes:
    """Hook fault sets up in rigs; a rig's good part on trial has neither fault nor blown fuse.

    Args:
        circuit: elements, rigs and faults.
        rig: (lanes,) rigs.
        faults: (lanes, width) fault numbers, `NONE` for none.
        blown: (lanes, parts) blown fuses.
    """
    forced = circuit.rigs.forced[rig]
    owner = np.where(faults >= 0, circuit.netlist.fault_part[faults], NONE)
    kept = np.where((forced[:, None] == owner) & (owner >= 0), NONE, faults)
    still = blown & (np.arange(blown.shape[1]) != forced[:, None])
    return Lanes(circuit, rig, kept.T.astype(np.int32), still.T)


def element_siemens(lanes: Lanes) -> Floats:
    """(elements, lanes) conductances; relays and controllers still as open contacts."""
    n = lanes.circuit.netlist
    found = _good_siemens(lanes.circuit)[:, lanes.rig]
    for fault, owner in zip(lanes.faults, lanes.fault_part, strict=True):
        at = np.flatnonzero(fault >= 0)
        if len(at):
            _apply(lanes, found, at, fault[at], owner[at])
    for part in np.flatnonzero(n.fuse_amps):
        found[n.main[part], lanes.blown[part]] = 1.0 / OPEN_OHMS
    return found


def _good_siemens(circuit: Circuit) -> Floats:
    """(elements, rigs) conductances without any fault, relays and controllers open."""
    n, r = circuit.netlist, circuit.rigs
    out = r.unplugged != 0
    shut = (r.closed != 0) | ((n.switched == 0) & (n.source != 2))
    made = shut & ~out & (n.gated == 0)
    found = np.zeros((len(n.ends) + len(r.extra_ends), len(r.forced)))
    found[n.main] = (1.0 / np.where(made, n.ok_ohms, OPEN_OHMS)).T
    coils = np.flatnonzero(n.coil != NONE)
    found[n.coil[coils]] = 1.0 / np.where(out[:, coils], OPEN_OHMS, n.ok_coil_ohms[coils]).T
    wired = np.flatnonzero(r.extra != NONE)
    found[r.extra[wired], wired] = r.extra_siemens[wired]
    return found


def _apply(lanes: Lanes, siemens: Floats, at: NDArray[np.int64], fault: Ints, part: Ints) -> None:
    """Put one fault into each of the lanes `at`."""
    n, r = lanes.circuit.netlist, lanes.circuit.rigs
    rig = lanes.rig[at]
    out = r.unplugged[rig, part] != 0
    switched = n.switched[part] != 0
    made = np.where(switched, _made(r.closed[rig, part] != 0, n.fault_contacts[fault]), True)
    made &= ~out & (n.gated[part] == 0) & ((n.source[part] != 2) | (r.closed[rig, part] != 0))
    siemens[n.main[part], at] = 1.0 / np.where(made, _path_ohms(lanes, fault), OPEN_OHMS)
    coil = np.flatnonzero(n.coil[part] != NONE)
    ohms = np.where(out[coil], OPEN_OHMS, n.fault_coil_ohms[fault[coil]])
    siemens[n.coil[part[coil]], at[coil]] = 1.0 / ohms
    short = np.flatnonzero((n.short[part] != NONE) & ~out)
    siemens[n.short[part[short]], at[short]] = 1.0 / n.fault_short_ohms[fault[short]]


def _made(closed: Bools, contacts: NDArray[np.int8]) -> Bools:
    """Whether contacts conduct, given what they should do and what their fault does to them."""
    found: Bools = (closed | (contacts == ALWAYS)) & (contacts != NEVER)
    return found


def _path_ohms(lanes: Lanes, fault: Ints) -> Floats:
    """Ohms of a main path with this fault."""
    n = lanes.circuit.netlist
    ohms: Floats = n.fault_ohms[fault]
    apart = ohms + LOOSE_OHMS if lanes.touching else np.full(len(ohms), OPEN_OHMS)
    return np.where(n.fault_loose[fault] != 0, apart, ohms)


def set_contacts(lanes: Lanes, siemens: Floats, worked: Bools) -> None:
    """Write the conductances of relays and controllers.

    Args:
        lanes: the circuits.
        siemens: (elements, lanes) written into.
        worked: (gated parts, lanes) which contacts are worked.
    """
    n, r = lanes.circuit.netlist, lanes.circuit.rigs
    for part, moved in zip(np.flatnonzero(n.gated), worked, strict=True):
        fault = lanes.fault_of(part)
        faulty = fault >= 0
        closed = moved != (n.normally_closed[part] != 0)
        made = np.where(faulty, _made(closed, n.fault_contacts[fault]), closed)
        made &= r.unplugged[lanes.rig, part] == 0
        ohms = np.where(faulty, _path_ohms(lanes, fault), n.ok_ohms[part])
        siemens[n.main[part]] = 1.0 / np.where(made, ohms, OPEN_OHMS)


def part_emf(lanes: Lanes, part: Number) -> Floats:
    """(lanes,) volts that a source drives; 0 for other parts and a generator that stands still."""
    n = lanes.circuit.netlist
    if not n.source[part]:
        return np.zeros(len(lanes))
    fault = lanes.fault_of(part)
    emf = np.where(fault >= 0, n.fault_emf[fault], n.ok_emf[part])
    turns = (n.source[part] != 2) | (lanes.circuit.rigs.closed[lanes.rig, part] != 0)
    return np.where(turns, emf, 0.0)


def source_amps(lanes: Lanes, siemens: Floats) -> Floats:
    """(nets, lanes) current injected by the sources behind their inner resistance (Norton)."""
    n = lanes.circuit.netlist
    found = np.zeros((len(n.nets), len(lanes)))
    for part in np.flatnonzero(n.source):
        amps = part_emf(lanes, part) * siemens[n.main[part]]
        for net, sign in zip(n.ends[n.main[part]], (1.0, -1.0), strict=True):
            if net != REFERENCE:
                found[net] += sign * amps
    return found
