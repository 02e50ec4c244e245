"""A machine's parts as numbered elements with numbers for every mode.

Every part becomes one to three elements: its main path, a relay's coil or a controller's own
draw, and the path to the frame that a chafed or chewed wire may find. A *fault* is a part in a
failure mode; faults are numbered through, and a *fault set* is a row of fault numbers. A *state*
is a fault or, numbered after all faults, a good part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.circuit.codes import (
    ALWAYS,
    BATTERY,
    DIODE,
    GENERATOR,
    NEVER,
    NONE,
    NORMAL,
    REFERENCE,
)
from diagnose.errors import CircuitError
from diagnose.machine.ends import (
    MECHANICAL,
    battery_of,
    coil_nets,
    first_source,
    main_nets,
    posts,
)
from diagnose.machine.model import OPEN_OHMS, Input, Mode

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine, Part

LOOSE_OHMS = 0.02
"""A loose joint while it makes contact. Estimate."""

AWAKE_SHARE = 0.5
"""Share of nominal volts that a controller needs between supply and ground to work at all, where
its file does not say. Estimate."""

INPUT_OHMS = 1e6
"""Between the nets of a controller's input, where the file does not say. Estimate."""

STILL = 1e-6
"""A diode that conducts goes on doing so down to this share less than the volts it drops; else the
last digit would tell where nothing draws current."""

SOURCES = {"battery": BATTERY, "charge": BATTERY, "generator": GENERATOR, "diode": DIODE}
GATED = ("relay", "controller", "contacts", "diode")
"""Kinds of part that conduct by what volts there are."""

GOOD = Mode("ok", "good", 0.0, "")


@dataclass(frozen=True, slots=True)
class Gate:
    """What conducts by volts: contacts of a relay or controller, a diode.

    Attributes:
        by_coil: whether they are worked whichever way the current runs.
        normally_closed: whether they are closed at rest.
        drop_out: volts below which they let go once worked, 0 where the input's low holds.
        inputs: net, net against, low, high: worked while low <= volts < high in all of these.
        leader: the relay whose coil works them, of further contacts; else `NONE`.
    """

    by_coil: bool
    normally_closed: bool
    drop_out: float
    inputs: tuple[tuple[int, int, float, float], ...]
    leader: int = NONE


@dataclass(frozen=True, slots=True)
class Netlist:
    """Elements and states of one machine, as arrays.

    Part arrays have one row per part, state arrays one row per state: the faults, then the good
    parts. Ohms, volts and amps throughout.

    Attributes:
        nets: names of the nets, without the reference.
        parts: ids of the parts.
        faults: (part, mode) of every fault.
        fault_part: (faults,) part of each fault.
        ends: (elements, 2) net indices, `REFERENCE` for the battery's minus.
        main, coil, short: (parts,) element of each role, `NONE` where the part has none.
        inside: (inputs of controllers, 2) part and element of each.
        inside_ohms: (inputs of controllers,) what lies between its nets.
        gates: part -> its contacts, where volts work them; a *gated part*.
        gated: (parts,) whether it is one.
        switched: (parts,) whether the main path is a switch worked by hand.
        source: (parts,) 1 for a battery and its charge, 2 for a generator, 3 for a diode, 0 else.
        goes_with: (parts,) part that it is replaced with, the battery for its charge; else `NONE`.
        fuse_amps: (parts,) rating, 0 where the part is no fuse.
        blown_visible: (parts,) chance to see that a fuse has blown.
        good: (parts,) the state in which a part is good.
        part: (states,) part of each state.
        acts_as: (states,) state that another part is in then, `NONE` for none.
        ohms, coil_ohms, short_ohms, emf, loose, at_best, visible: (states,) as in `Mode`.
        moved: (states,) whether moving or working the part shows it.
        contacts: (states,) what contacts do.
        pull_in: (states,) inf where it never pulls in, NaN where the input's own value holds.
    """

    nets: tuple[str, ...]
    parts: tuple[str, ...]
    faults: tuple[tuple[str, str], ...]
    fault_part: NDArray[np.int32]
    ends: NDArray[np.int32]
    main: NDArray[np.int32]
    coil: NDArray[np.int32]
    short: NDArray[np.int32]
    inside: NDArray[np.int32]
    inside_ohms: NDArray[np.float64]
    gates: Mapping[int, Gate]
    gated: NDArray[np.bool_]
    switched: NDArray[np.bool_]
    source: NDArray[np.int64]
    goes_with: NDArray[np.int32]
    fuse_amps: NDArray[np.float64]
    blown_visible: NDArray[np.float64]
    good: NDArray[np.int32]
    part: NDArray[np.int32]
    acts_as: NDArray[np.int32]
    ohms: NDArray[np.float64]
    coil_ohms: NDArray[np.float64]
    short_ohms: NDArray[np.float64]
    emf: NDArray[np.float64]
    loose: NDArray[np.bool_]
    moved: NDArray[np.bool_]
    at_best: NDArray[np.int64]
    visible: NDArray[np.float64]
    contacts: NDArray[np.int64]
    pull_in: NDArray[np.float64]

    def net(self, name: str) -> int:
        """Index of a net; `REFERENCE` for the battery's minus."""
        return self.nets.index(name) if name in self.nets else REFERENCE


def the_source(machine: Machine) -> Part:
    """The battery, or the first of several; a machine without one has its generator.

    Raises:
        CircuitError: neither battery nor generator.
    """
    source = first_source(machine.parts)
    if source is None:
        raise CircuitError("expected a battery or a generator, met neither")
    return machine.parts[source]


def make_netlist(machine: Machine) -> Netlist:
    """Number the nets, elements and faults of a machine.

    Raises:
        CircuitError: there is neither battery nor generator.
    """
    reference = posts(machine.parts, the_source(machine).id)[1]
    parts = list(machine.parts.values())
    place = {part.id: i for i, part in enumerate(parts)}
    names = dict.fromkeys(net for part in parts for net in part.terminals.values())
    names.pop(reference, None)
    index = {net: i for i, net in enumerate(names)} | {reference: REFERENCE}
    faults = [
        (i, mode)
        for i, part in enumerate(parts)
        for mode in part.modes.values()
        if mode.id != GOOD.id
    ]
    states = [*faults, *((i, GOOD) for i in range(len(parts)))]
    numbers = {(parts[i].id, mode.id): number for number, (i, mode) in enumerate(faults)}
    return Netlist(
        nets=tuple(names),
        parts=tuple(part.id for part in parts),
        faults=tuple((parts[i].id, mode.id) for i, mode in faults),
        fault_part=np.array([i for i, _ in faults], dtype=np.int32),
        gates={
            i: gate
            for i, part in enumerate(parts)
            if (gate := _gate(part, index, place, machine.nominal_volts)) is not None
        },
        goes_with=np.array(
            [
                place[battery_of(machine.parts, p.id) or p.id] if p.kind == "charge" else NONE
                for p in parts
            ],
            dtype=np.int32,
        ),
        good=np.arange(len(faults), len(states), dtype=np.int32),
        part=np.array([i for i, _ in states], dtype=np.int32),
        acts_as=np.array([_other_state(mode, numbers) for _, mode in states], dtype=np.int32),
        **_elements(machine, index),
        **_columns([_part_values(part) for part in parts]),
        **_columns([_state_values(parts[i], mode) for i, mode in states]),
    )


def _other_state(mode: Mode, numbers: Mapping[tuple[str, str], int]) -> int:
    """The state in which a mode has another part act."""
    return next((numbers[other] for other in mode.acts_as.items()), NONE)


def _columns(rows: list[dict[str, float]]) -> dict[str, NDArray[Any]]:
    return {name: np.array([row[name] for row in rows]) for name in rows[0]}


def _part_values(part: Part) -> dict[str, float]:
    """A part's row in the part arrays of a `Netlist`."""
    blown = part.modes.get("open", GOOD)
    return {
        "gated": part.kind in GATED,
        "switched": part.kind == "switch",
        "source": SOURCES.get(part.kind, 0),
        "fuse_amps": part.fuse_amps or 0.0,
        "blown_visible": blown.visible if part.kind == "fuse" else 0.0,
    }


def _state_values(part: Part, mode: Mode) -> dict[str, float]:
    """The row of a part in a mode in the state arrays of a `Netlist`."""
    no_coil = mode.coil_open or not part.coil_ohms
    return {
        "ohms": OPEN_OHMS if mode.open else _either(mode.ohms, part.ohms),
        "coil_ohms": OPEN_OHMS if no_coil else _either(mode.coil_ohms, part.coil_ohms),
        "short_ohms": _either(mode.short_ohms, math.inf),
        "emf": _either(mode.emf_volts, part.emf_volts),
        "loose": mode.loose,
        "moved": mode.loose or mode.makes_if_moved,
        "at_best": mode.at_best,
        "visible": mode.visible,
        "contacts": ALWAYS if mode.always_closed else NEVER if mode.never_closed else NORMAL,
        # a coil that is open never pulls in, whatever lies across it
        "pull_in": math.inf if mode.coil_open else _either(mode.pull_in_volts, math.nan),
    }


def _either(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def _elements(machine: Machine, index: dict[str, int]) -> dict[str, Any]:
    """The nets of the elements, and which element each part has in each role."""
    ends: list[tuple[int, int]] = []

    def number(nets: tuple[str, str] | None) -> int:
        if nets is None:
            return NONE
        ends.append((index[nets[0]], index[nets[1]]))
        return len(ends) - 1

    roles = []
    for part in machine.parts.values():
        path = None if part.kind == MECHANICAL else main_nets(part)
        shorts = any(mode.short_ohms is not None for mode in part.modes.values())
        short = (path[1], part.shorts_to or machine.frame_net) if path and shorts else None
        roles.append([number(path), number(coil_nets(part)), number(short)])
    given = [(i, put_in) for i, part in enumerate(machine.parts.values()) for put_in in part.inputs]
    inside = [(i, number((put_in.net, put_in.against))) for i, put_in in given]
    inside_ohms = [put_in.ohms or INPUT_OHMS for _, put_in in given]
    main, coil, short_path = np.array(roles, dtype=np.int32).T
    rows = np.array(ends, dtype=np.int32).reshape(-1, 2)
    return {
        "ends": rows,
        "main": main,
        "coil": coil,
        "short": short_path,
        "inside": np.array(inside, dtype=np.int32).reshape(-1, 2),
        "inside_ohms": np.array(inside_ohms, dtype=np.float64),
    }


def _gate(
    part: Part, index: Mapping[str, int], place: Mapping[str, int], nominal_volts: float
) -> Gate | None:
    """What works a part's main path; None where nothing does."""
    coil = coil_nets(part)
    if part.kind == "contacts":
        return Gate(False, part.normally_closed, 0.0, (), place[part.relay or ""])
    if part.kind == "diode":
        volts = part.emf_volts
        near, far = main_nets(part)
        there = (index[near], index[far], volts, math.inf)
        return Gate(False, False, volts * (1.0 - STILL), (there,))
    if coil is None:
        return None
    if part.kind == "relay":
        inputs: tuple[Input, ...] = (Input(*coil, part.pull_in_volts, None),)
    elif any((given.net, given.against) == coil for given in part.inputs):
        inputs = part.inputs
    else:
        inputs = (Input(*coil, AWAKE_SHARE * nominal_volts, None), *part.inputs)
    rows = []
    for given in inputs:
        low, high = _either(given.at_least_volts, -math.inf), _either(given.below_volts, math.inf)
        rows.append((index[given.net], index[given.against], low, high))
    return Gate(part.kind == "relay", part.normally_closed, part.drop_out_volts, tuple(rows))
