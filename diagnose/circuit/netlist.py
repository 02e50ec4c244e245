"""A machine's parts as numbered elements with numbers for every mode.

Every part becomes one to three elements: its main path, a relay's coil or a controller's own
draw, and the path to the frame that a chafed or chewed wire may find. A *fault* is a part in a
failure mode; faults are numbered through, and a *fault set* is a row of fault numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.circuit.mesh import REFERENCE
from diagnose.errors import CircuitError
from diagnose.machine.model import OPEN_OHMS, Input

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Mode, Part

NONE = -1
"""No such element, gate or value."""

NORMAL, ALWAYS, NEVER = 0, 1, 2
"""What the contacts of a switch, relay or controller do in a mode."""

BY_COIL, BY_INPUTS = 1, 2
"""What works a gated contact: a relay's coil whichever way its current runs, or inputs."""

LOOSE_OHMS = 0.02
"""A loose joint while it makes contact. Estimate."""

AWAKE_SHARE = 0.5
"""Share of nominal volts that a controller needs between supply and ground to work at all, where
its file does not say. Estimate."""

ROLES = {
    "battery": ("plus", "minus"),
    "generator": ("plus", "minus"),
    "relay": ("contact_in", "contact_out"),
}
MAIN_ROLES = ("from", "to")
GATES = {"relay": BY_COIL, "controller": BY_INPUTS}
SOURCES = {"battery": 1, "generator": 2}


@dataclass(frozen=True, slots=True)
class Netlist:
    """Elements and faults of one machine, as arrays.

    Element arrays have one row per element, part arrays one row per part, fault arrays one row
    per fault; `ok_*` are the values of the good part. Ohms, volts and amps throughout.

    Attributes:
        nets: names of the nets, without the reference.
        parts: ids of the parts.
        faults: (part, mode) of every fault.
        ends: (elements, 2) net indices, `REFERENCE` for the battery's minus.
        element_part: (elements,) part of each element.
        main, coil, short: (parts,) element of each role, `NONE` where the part has none.
        gated: (parts,) what works the contact that is the main path, 0 where it is none.
        switched: (parts,) 1 where the main path is a switch worked by hand.
        source: (parts,) 1 for a battery or generator, 2 for the generator alone.
        fuse_amps: (parts,) rating, 0 where the part is no fuse.
        normally_closed: (parts,) 1 where a gated contact is closed at rest.
        inputs: (inputs, 3) part, net, net against: what works the gated contacts.
        input_low, input_high: (inputs,) the contact works while low <= volts < high.
        fault_*: values of the part in that mode; `fault_pull_in` is inf where it never pulls in
            and NaN where the part's own value holds.
        blown_visible: (parts,) chance to see that a fuse has blown.
    """

    nets: tuple[str, ...]
    parts: tuple[str, ...]
    faults: tuple[tuple[str, str], ...]
    ends: NDArray[np.int32]
    element_part: NDArray[np.int32]
    main: NDArray[np.int32]
    coil: NDArray[np.int32]
    short: NDArray[np.int32]
    gated: NDArray[np.int8]
    switched: NDArray[np.int8]
    source: NDArray[np.int8]
    fuse_amps: NDArray[np.float64]
    normally_closed: NDArray[np.int8]
    inputs: NDArray[np.int32]
    input_low: NDArray[np.float64]
    input_high: NDArray[np.float64]
    drop_out: NDArray[np.float64]
    ok_ohms: NDArray[np.float64]
    ok_emf: NDArray[np.float64]
    ok_coil_ohms: NDArray[np.float64]
    fault_part: NDArray[np.int32]
    fault_ohms: NDArray[np.float64]
    fault_loose: NDArray[np.int8]
    fault_short_ohms: NDArray[np.float64]
    fault_contacts: NDArray[np.int8]
    fault_emf: NDArray[np.float64]
    fault_coil_ohms: NDArray[np.float64]
    fault_pull_in: NDArray[np.float64]
    fault_at_best: NDArray[np.int8]
    fault_visible: NDArray[np.float64]
    blown_visible: NDArray[np.float64]

    def net(self, name: str) -> int:
        """Index of a net; `REFERENCE` for the battery's minus."""
        return self.nets.index(name) if name in self.nets else REFERENCE

    def part(self, part_id: str) -> int:
        """Index of a part."""
        return self.parts.index(part_id)


def main_nets(part: Part) -> tuple[str, str]:
    """The two nets of a part's main path, in the direction of the current."""
    if part.kind == "controller":
        ends = (part.terminals[part.output_to], part.terminals["output"])
        return ends if part.output_to == "supply" else (ends[1], ends[0])
    one, two = ROLES.get(part.kind, MAIN_ROLES)
    return part.terminals[one], part.terminals[two]


def coil_nets(part: Part) -> tuple[str, str] | None:
    """The two nets of a relay's coil or of a controller's own draw."""
    if part.kind == "relay":
        return part.terminals["coil_in"], part.terminals["coil_out"]
    if part.kind == "controller":
        return part.terminals["supply"], part.terminals["ground"]
    return None


def failure_modes(part: Part) -> Iterator[Mode]:
    """The modes of a part without `ok`."""
    return (mode for mode in part.modes.values() if mode.id != "ok")


def reference_net(machine: Machine) -> str:
    """The battery's minus post.

    Raises:
        CircuitError: no battery, or more than one.
    """
    batteries = [part for part in machine.parts.values() if part.kind == "battery"]
    if len(batteries) != 1:
        raise CircuitError(
            f"expected one battery, met {len(batteries)}", [part.id for part in batteries]
        )
    return batteries[0].terminals["minus"]


def make_netlist(machine: Machine) -> Netlist:
    """Number the nets, elements and faults of a machine.

    Raises:
        CircuitError: there is not exactly one battery.
    """
    reference = reference_net(machine)
    parts = list(machine.parts.values())
    names = dict.fromkeys(net for part in parts for net in part.terminals.values())
    names.pop(reference, None)
    index = {net: i for i, net in enumerate(names)} | {reference: REFERENCE}
    faults = [(part, mode) for part in parts for mode in failure_modes(part)]
    ends, element_part, main, coil, short = _elements(machine, index)
    inputs, low, high = _inputs(machine, index)
    return Netlist(
        nets=tuple(names),
        parts=tuple(part.id for part in parts),
        faults=tuple((part.id, mode.id) for part, mode in faults),
        ends=ends,
        element_part=element_part,
        main=main,
        coil=coil,
        short=short,
        inputs=inputs,
        input_low=low,
        input_high=high,
        **_part_values(parts),
        **_fault_values(parts, faults),
    )


def _part_values(parts: list[Part]) -> dict[str, Any]:
    """The part arrays of a `Netlist`."""
    return {
        "gated": _bytes([GATES.get(part.kind, 0) for part in parts]),
        "switched": _bytes([part.kind == "switch" for part in parts]),
        "source": _bytes([SOURCES.get(part.kind, 0) for part in parts]),
        "fuse_amps": np.array([part.fuse_amps or 0.0 for part in parts]),
        "normally_closed": _bytes([part.normally_closed for part in parts]),
        "drop_out": np.array([part.drop_out_volts for part in parts]),
        "ok_ohms": np.array([part.ohms for part in parts]),
        "ok_emf": np.array([part.emf_volts for part in parts]),
        "ok_coil_ohms": np.array([part.coil_ohms or OPEN_OHMS for part in parts]),
        "blown_visible": np.array(
            [part.modes["open"].visible if _can_blow(part) else 0.0 for part in parts]
        ),
    }


def _can_blow(part: Part) -> bool:
    return part.kind == "fuse" and "open" in part.modes


def _fault_values(parts: list[Part], faults: list[tuple[Part, Mode]]) -> dict[str, Any]:
    """The fault arrays of a `Netlist`."""
    number = {part.id: i for i, part in enumerate(parts)}
    emf = [part.emf_volts if mode.emf_volts is None else mode.emf_volts for part, mode in faults]
    return {
        "fault_part": np.array([number[part.id] for part, _ in faults], dtype=np.int32),
        "fault_ohms": np.array([_ohms(part, mode) for part, mode in faults]),
        "fault_loose": _bytes([mode.loose for _, mode in faults]),
        "fault_short_ohms": _values([mode.short_ohms for _, mode in faults], math.inf),
        "fault_contacts": _bytes([_contacts(mode) for _, mode in faults]),
        "fault_emf": np.array(emf),
        "fault_coil_ohms": np.array([_coil_ohms(part, mode) for part, mode in faults]),
        "fault_pull_in": _values([_pull_in(mode) for _, mode in faults], math.nan),
        "fault_at_best": _bytes([mode.at_best for _, mode in faults]),
        "fault_visible": np.array([mode.visible for _, mode in faults]),
    }


def _elements(machine: Machine, index: dict[str, int]) -> tuple[NDArray[np.int32], ...]:
    ends: list[tuple[int, int]] = []
    element_part: list[int] = []
    main, coil, short = [], [], []

    def add(part: int, nets: tuple[str, str] | None) -> int:
        if nets is None:
            return NONE
        ends.append((index[nets[0]], index[nets[1]]))
        element_part.append(part)
        return len(ends) - 1

    for i, part in enumerate(machine.parts.values()):
        main.append(add(i, main_nets(part)))
        coil.append(add(i, coil_nets(part)))
        shorts = any(mode.short_ohms is not None for mode in part.modes.values())
        short.append(add(i, (main_nets(part)[1], machine.frame_net) if shorts else None))
    return (
        np.array(ends, dtype=np.int32).reshape(-1, 2),
        np.array(element_part, dtype=np.int32),
        np.array(main, dtype=np.int32),
        np.array(coil, dtype=np.int32),
        np.array(short, dtype=np.int32),
    )


def _inputs(
    machine: Machine, index: dict[str, int]
) -> tuple[NDArray[np.int32], NDArray[np.float64], NDArray[np.float64]]:
    rows: list[tuple[int, int, int]] = []
    low: list[float] = []
    high: list[float] = []
    for i, part in enumerate(machine.parts.values()):
        for one in _inputs_of(part, machine.nominal_volts):
            rows.append((i, index[one.net], index[one.against]))
            low.append(-math.inf if one.at_least_volts is None else one.at_least_volts)
            high.append(math.inf if one.below_volts is None else one.below_volts)
    return np.array(rows, dtype=np.int32).reshape(-1, 3), np.array(low), np.array(high)


def _inputs_of(part: Part, nominal_volts: float) -> tuple[Input, ...]:
    """All that must hold for the contacts to be worked; nothing for a part without a coil."""
    own = coil_nets(part)
    if own is None:
        return ()
    if part.kind == "relay":
        return (Input(*own, part.pull_in_volts, None),)
    if any((one.net, one.against) == own for one in part.inputs):
        return part.inputs
    return (Input(*own, AWAKE_SHARE * nominal_volts, None), *part.inputs)


def _ohms(part: Part, mode: Mode) -> float:
    if mode.open:
        return OPEN_OHMS
    return part.ohms if mode.ohms is None else mode.ohms


def _coil_ohms(part: Part, mode: Mode) -> float:
    if mode.coil_open or not part.coil_ohms:
        return OPEN_OHMS
    return part.coil_ohms if mode.coil_ohms is None else mode.coil_ohms


def _pull_in(mode: Mode) -> float | None:
    """Volts at which it pulls in; a coil that is open never does, whatever lies across it."""
    return math.inf if mode.coil_open else mode.pull_in_volts


def _contacts(mode: Mode) -> int:
    if mode.always_closed:
        return ALWAYS
    return NEVER if mode.never_closed else NORMAL


def _bytes(values: Sequence[int]) -> NDArray[np.int8]:
    return np.array(values, dtype=np.int8)


def _values(values: list[float | None], missing: float) -> NDArray[np.float64]:
    return np.array([missing if value is None else value for value in values], dtype=np.float64)
