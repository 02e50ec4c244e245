"""Modified nodal analysis with scipy's LU, written from the machine model alone.

The slow, obvious twin of the circuit solver; it imports nothing of it. One circuit at a time: list
its branches, solve the nodal equations, let the relays move, solve again (Ho, Ruehli & Brennan
1975, "The modified nodal approach to network analysis": voltage sources as extra unknowns). A
circuit with the very same ohms and sources, to the last bit, is solved once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg.lapack import dgesv

from diagnose.machine.model import OPEN_OHMS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Mode, Part

INPUT_OHMS = 1e6
"""Of a controller's input, where the file does not say; estimate."""

METER_OHMS = 1e7
"""Input resistance of a digital meter; common practice, no source."""

LOOSE_OHMS = 0.02
"""A loose joint while it touches; estimate."""

SOURCES = ("battery", "charge", "generator", "diode")
"""What may drive current, a diode backwards by the volts it drops."""

MOVERS = ("relay", "controller", "contacts", "diode")
"""What conducts by the volts there are."""

Faults = dict[str, "Mode"]
"""Part id -> the failure mode it is in."""

BranchValues = tuple["NDArray[np.float64]", "NDArray[np.float64]"]
"""Ohms and volts of a circuit's branches."""


@dataclass(frozen=True)
class Hookup:
    """What stands where while something is measured: one arrangement of the whole circuit."""

    condition: str | None
    unplugged: frozenset[str] = frozenset()
    replaced: str | None = None
    across: tuple[str, str] | None = None
    ohms: float = math.inf


@dataclass(frozen=True)
class Branch:
    """A two-terminal branch; `role` is main, coil, short or probe."""

    part: str
    role: str
    high: str
    low: str


@dataclass(frozen=True)
class Standing:
    """A solved circuit.

    Attributes:
        ohms, emf: (branches,) what was solved; ohms are inf where there is no branch at all.
        volts: (nets,) against the battery's minus post.
        worked: relays and controllers whose contacts have moved from rest.
        moving: those of them that never settle.
    """

    ohms: NDArray[np.float64]
    emf: NDArray[np.float64]
    volts: NDArray[np.float64]
    worked: frozenset[str]
    moving: frozenset[str] = frozenset()


def main_ends(part: Part) -> tuple[str, str]:
    """Nets of the path that a part's series resistance lies in."""
    ends = part.terminals
    if part.kind in {"battery", "generator"}:
        return ends["plus"], ends["minus"]
    if part.kind == "relay":
        return ends["contact_in"], ends["contact_out"]
    if part.kind == "controller":
        towards_load = part.output_to == "supply"
        return (
            (ends["supply"], ends["output"]) if towards_load else (ends["output"], ends["ground"])
        )
    return ends["from"], ends["to"]


class Schematic:
    """All branches a machine's circuit can have, whatever is hooked up to it."""

    def __init__(
        self,
        machine: Machine,
        across: Iterable[tuple[str, str]] = (),
        leak_ohms: float = METER_OHMS,
    ) -> None:
        """A machine, what instruments may lie across, and from every net to the minus post."""
        self.machine = machine
        self.leak_ohms = leak_ohms
        by_kind = {p.kind: p for p in reversed(machine.parts.values())}
        self.ground = (by_kind.get("battery") or by_kind["generator"]).terminals["minus"]
        self.branches = list(self._branches(across))
        names = [net for branch in self.branches for net in (branch.high, branch.low)]
        names += [net for part in machine.parts.values() for net in part.terminals.values()]
        self.nets = tuple(net for net in dict.fromkeys(names) if net != self.ground)
        self.row = {net: i for i, net in enumerate(self.nets)}
        self.place = {(b.part, b.role): i for i, b in enumerate(self.branches)}

    def _branches(self, across: Iterable[tuple[str, str]]) -> Iterable[Branch]:
        for part in self.machine.parts.values():
            if part.kind == "mechanical":
                continue
            yield Branch(part.id, "main", *main_ends(part))
            if part.kind == "relay":
                ends = part.terminals
                yield Branch(part.id, "coil", ends["coil_in"], ends["coil_out"])
            if part.kind == "controller":
                ends = part.terminals
                yield Branch(part.id, "coil", ends["supply"], ends["ground"])
                for number, given in enumerate(part.inputs):
                    yield Branch(part.id, f"input {number}", given.net, given.against)
            if any(mode.short_ohms is not None for mode in part.modes.values()):
                against = part.shorts_to or self.machine.frame_net
                yield Branch(part.id, "short", main_ends(part)[1], against)
        for high, low in dict.fromkeys(across):
            yield Branch(f"{high}|{low}", "probe", high, low)

    @cached_property
    def healthy(self) -> dict[tuple[Hookup, frozenset[str]], BranchValues]:
        """Branches without faults, by what is hooked up and which contacts have moved."""
        return {}

    @cached_property
    def solved(self) -> dict[bytes, NDArray[np.float64]]:
        """Volts of the circuits solved so far, by ohms and sources."""
        return {}

    @cached_property
    def branches_of(self) -> dict[str, list[int]]:
        """A part's branches."""
        found: dict[str, list[int]] = {part: [] for part in self.machine.parts}
        for i, branch in enumerate(self.branches):
            if branch.role != "probe":
                found[branch.part].append(i)
        return found

    @cached_property
    def stamps(self) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
        """Where each branch's siemens go in the nodal matrix: branch, flat place there, sign."""
        outer = self.incidence[:, :, None] * self.incidence[:, None, :]
        branch, row, column = np.nonzero(outer)
        n = len(self.nets) + len(self.sources)
        return branch, row * n + column, outer[branch, row, column]

    @cached_property
    def bordered(self) -> NDArray[np.float64]:
        """The equations' matrix without the branches' ohms: leaks, and the sources' currents."""
        n, sources = len(self.nets), self.incidence[self.sources]
        found = np.zeros((n + len(sources), n + len(sources)))
        found[:n, :n] = np.eye(n) / self.leak_ohms
        found[:n, n:] = -sources.T
        found[n:, :n] = sources
        return found

    @cached_property
    def incidence(self) -> NDArray[np.float64]:
        """(branches, nets) +1 at a branch's high end, -1 at its low end."""
        found = np.zeros((len(self.branches), len(self.nets)))
        for i, branch in enumerate(self.branches):
            for net, sign in ((branch.high, 1.0), (branch.low, -1.0)):
                if net != self.ground:
                    found[i, self.row[net]] += sign
        return found

    @cached_property
    def sources(self) -> list[int]:
        """Branches with a voltage of their own."""
        kinds = self.machine.parts
        return [
            i
            for i, b in enumerate(self.branches)
            if b.role == "main" and kinds[b.part].kind in SOURCES
        ]

    def volts_between(self, volts: NDArray[np.float64], high: str, low: str) -> float:
        """Volts of one net against another."""
        one = 0.0 if high == self.ground else volts[self.row[high]]
        return float(one - (0.0 if low == self.ground else volts[self.row[low]]))

    def amps(self, one: Standing, part: str) -> float:
        """Current through a part's main path, from its first to its last terminal."""
        i = self.place[part, "main"]
        branch = self.branches[i]
        across = self.volts_between(one.volts, branch.high, branch.low)
        return (across - float(one.emf[i])) / float(one.ohms[i])


def solve(
    schematic: Schematic, ohms: NDArray[np.float64], emf: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(nets,) volts: Kirchhoff's currents for every net, one more equation for every source."""
    key = ohms.tobytes() + emf.tobytes()
    known = schematic.solved.get(key)
    if known is not None:
        return known
    sources, n = schematic.sources, len(schematic.nets)
    branch, place, sign = schematic.stamps
    siemens = 1.0 / ohms
    siemens[sources] = 0.0
    size = n + len(sources)
    stamped = np.bincount(place, sign * siemens[branch], size * size)
    matrix = stamped.reshape(size, size) + schematic.bordered
    matrix[range(n, size), range(n, size)] = ohms[sources]
    right = np.concatenate([np.zeros(n), emf[sources]])
    _, _, unknowns, failed = dgesv(matrix, right)  # LAPACK's LU with partial pivoting
    assert not failed
    found: NDArray[np.float64] = unknowns[:n]
    schematic.solved[key] = found
    return found


def branch_values(
    schematic: Schematic,
    hookup: Hookup,
    faults: Mapping[str, Mode],
    worked: frozenset[str],
    blown: frozenset[str],
    touching: bool,
) -> BranchValues:
    """Ohms and volts of every branch as the circuit stands.

    Only the branches of parts that are at fault or blown differ from the healthy circuit's.
    """
    if (hookup, worked) not in schematic.healthy:
        pairs = [
            branch_value(schematic, i, hookup, {}, worked, frozenset(), touching)
            for i in range(len(schematic.branches))
        ]
        ohms, emf = np.array(pairs).T.copy()
        schematic.healthy[hookup, worked] = ohms, emf
    ohms, emf = (values.copy() for values in schematic.healthy[hookup, worked])
    for part in {*faults, *blown}:
        for i in schematic.branches_of[part]:
            ohms[i], emf[i] = branch_value(schematic, i, hookup, faults, worked, blown, touching)
    return ohms, emf


def branch_value(
    schematic: Schematic,
    i: int,
    hookup: Hookup,
    faults: Mapping[str, Mode],
    worked: frozenset[str],
    blown: frozenset[str],
    touching: bool,
) -> tuple[float, float]:
    """Ohms and volts of one branch."""
    branch, machine = schematic.branches[i], schematic.machine
    if branch.role == "probe":
        return (hookup.ohms if hookup.across == (branch.high, branch.low) else math.inf), 0.0
    part = machine.parts[branch.part]
    new = is_replaced(machine, hookup, part.id)
    fault = None if new else faults.get(part.id)
    gone = part.id in hookup.unplugged
    if branch.role == "short":
        shorted = fault is not None and fault.short_ohms is not None and not gone
        return (fault.short_ohms if shorted else math.inf), 0.0  # type: ignore[union-attr,return-value]
    if branch.role.startswith("input"):
        given = part.inputs[int(branch.role.split()[1])]
        return (OPEN_OHMS if gone else given.ohms or INPUT_OHMS), 0.0
    if branch.role == "coil":
        return (OPEN_OHMS if gone else coil_ohms(part, fault)), 0.0
    out = gone or (part.id in blown and not new)
    made = contact_made(machine, hookup, part, fault, worked)
    own = OPEN_OHMS if out or not made else path_ohms(part, fault, touching)
    drives = part.kind in SOURCES and made
    if drives and not (part.kind == "diode" and own == OPEN_OHMS):  # a broken diode drives nothing
        changed = fault is not None and fault.emf_volts is not None
        return own, fault.emf_volts if changed else part.emf_volts  # type: ignore[union-attr,return-value]
    return own, 0.0


def is_replaced(machine: Machine, hookup: Hookup, part: str) -> bool:
    """Whether a good part is in its place; a good battery comes charged."""
    if hookup.replaced is None:
        return False
    new, old = machine.parts[hookup.replaced], machine.parts[part]
    touches = bool(set(new.terminals.values()) & set(old.terminals.values()))
    comes_along = new.kind == "battery" and old.kind == "charge" and touches
    return part == hookup.replaced or comes_along


def coil_ohms(part: Part, fault: Mode | None) -> float:
    if fault is not None and fault.coil_open:
        return OPEN_OHMS
    if fault is not None and fault.coil_ohms is not None:
        return fault.coil_ohms
    return part.coil_ohms


def path_ohms(part: Part, fault: Mode | None, touching: bool) -> float:
    """The path itself, contacts made."""
    if fault is None:
        return part.ohms
    if fault.open or (fault.loose and not touching):
        return OPEN_OHMS
    own = part.ohms if fault.ohms is None else fault.ohms
    return own + LOOSE_OHMS if fault.loose else own


def contact_made(
    machine: Machine, hookup: Hookup, part: Part, fault: Mode | None, worked: frozenset[str]
) -> bool:
    """Whether switch, relay, controller or generator conducts; all others always do."""
    condition = machine.conditions[hookup.condition] if hookup.condition else None
    if part.kind == "generator":
        return condition is not None and part.id in condition.running
    if part.kind not in {"switch", *MOVERS}:
        return True
    if fault is not None and (fault.never_closed or fault.always_closed):
        return not fault.never_closed
    if part.kind == "switch":
        return condition is not None and part.id in condition.closes
    return (part.id in worked) != part.normally_closed
