"""A machine's elements, rigs and observables as compiled code takes them: flat arrays."""

from __future__ import annotations

from itertools import accumulate, chain
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from diagnose.circuit.codes import NONE, OHMS
from diagnose.circuit.netlist import LOOSE_OHMS
from diagnose.machine.model import OPEN_OHMS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from diagnose.circuit.mesh import MeshPlan
    from diagnose.circuit.netlist import Netlist
    from diagnose.circuit.rigs import Rigs

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


METER_OHMS = 1e7
"""Input resistance of a digital meter, between its probes. Common practice, no source."""

LEAK_OHMS = 1e17
"""What every net leaks to the battery's minus, so that a net that hangs on nothing has a voltage at
all: for the solver's sake alone, far beyond what any reading shows."""

PART = np.dtype([
    ("main", "i4"), ("coil", "i4"), ("short", "i4"), ("good", "i4"), ("gate", "i4"),
    ("goes_with", "i4"), ("source", "i4"), ("gated", "?"), ("switched", "?"),
    ("rests_closed", "?"), ("fuse_amps", "f8"), ("blown_visible", "f8"),
])  # fmt: skip
"""A part, as in `Netlist`; `gate`: its number among those, `rests_closed`: its contacts at rest."""

STATE = np.dtype([
    ("part", "i4"), ("acts_as", "i4"), ("contacts", "i4"), ("at_best", "i4"), ("loose", "?"),
    ("moved", "?"),
    ("ohms", "f8"), ("coil_ohms", "f8"), ("short_ohms", "f8"), ("emf", "f8"), ("visible", "f8"),
    ("pull_in", "f8"),
])  # fmt: skip
"""A part in a mode, as in `Netlist`."""

GATE = np.dtype([
    ("part", "i4"), ("leader", "i4"), ("first_input", "i4"), ("end_input", "i4"), ("by_coil", "?"),
    ("normally_closed", "?"), ("drop_out", "f8"),
])  # fmt: skip
INPUT = np.dtype([("plus", "i4"), ("minus", "i4"), ("low", "f8"), ("high", "f8")])
"""Contacts worked by volts and what works them, as in `Gate`."""

RIG = np.dtype([
    ("forced", "i4"), ("extra", "i4"), ("first_read", "i4"), ("end_read", "i4"), ("solved", "?"),
    ("extra_siemens", "f8"),
])  # fmt: skip
"""A rig, as in `Rigs`; what is read there, and whether that needs the circuit solved."""

OBSERVABLE = np.dtype([
    ("kind", "i4"), ("plus", "i4"), ("minus", "i4"), ("part", "i4"), ("first_level", "i4"),
    ("end_level", "i4"), ("first_part", "i4"), ("end_part", "i4"),
])  # fmt: skip
"""One thing read, as in `Observable`."""


class Tables(NamedTuple):
    """One machine; of a list of lists each row says where its own begins and ends.

    Attributes:
        loose_ohms, open_ohms, leak_siemens: a loose joint, a gap, what every net leaks.
        meter_siemens: what a meter lets through between its probes.
        parts, states, gates, inputs, rigs, observables: records as above.
        ends: (elements, 2) nets.
        inside, inside_ohms: inputs of controllers, as in `Netlist`.
        closed, unplugged: (rigs, parts) as in `Rigs`.
        fuses, sources: parts that are one.
        read: observables, rig by rig.
        level_volts: bounds of the levels of functions.
        of_part: parts inspected.
        n_history: the first rigs, in which fuses may have blown.
    """

    loose_ohms: float
    open_ohms: float
    leak_siemens: float
    meter_siemens: float
    parts: NDArray[np.void]
    states: NDArray[np.void]
    gates: NDArray[np.void]
    inputs: NDArray[np.void]
    rigs: NDArray[np.void]
    observables: NDArray[np.void]
    ends: Ints
    inside: Ints
    inside_ohms: Floats
    closed: Bools
    unplugged: Bools
    fuses: Ints
    sources: Ints
    read: Ints
    level_volts: Floats
    of_part: Ints
    n_history: int


class Room(NamedTuple):
    """Arrays that the solver works in; one for each call, since calls may run side by side."""

    good: Floats
    siemens: Floats
    amps: Floats
    edges: Floats
    ohms: Floats
    volts: Floats
    rise: Floats
    state: Ints
    blown: Bools
    path: NDArray[np.int64]


def make_tables(n: Netlist, r: Rigs) -> Tables:
    """Flatten a machine."""
    gates, seen = list(n.gates.values()), r.observables
    read = [[c for c, o in enumerate(seen) if o.rig == rig] for rig in range(len(r.forced))]
    gate, rests_closed = np.full(len(n.parts), NONE), np.zeros(len(n.parts), dtype=bool)
    gate[list(n.gates)] = np.arange(len(gates))
    rests_closed[list(n.gates)] = [gate.normally_closed for gate in gates]

    def gate_of(part: int) -> int:
        return NONE if part == NONE else int(gate[part])

    return Tables(
        loose_ohms=LOOSE_OHMS,
        open_ohms=OPEN_OHMS,
        leak_siemens=1.0 / LEAK_OHMS,
        meter_siemens=1.0 / METER_OHMS,
        parts=_records(PART, n, len(n.parts), gate=gate, rests_closed=rests_closed),
        states=_records(STATE, n, len(n.part)),
        gates=_records(
            GATE,
            None,
            len(gates),
            part=list(n.gates),
            **(_fields(gates, GATE) | {"leader": [gate_of(each.leader) for each in gates]}),
            **_spans("input", (len(gate.inputs) for gate in gates)),
        ),
        inputs=np.array([each for gate in gates for each in gate.inputs], dtype=INPUT),
        rigs=_records(
            RIG,
            r,
            len(read),
            **_spans("read", map(len, read)),
            solved=[any(seen[c].kind < OHMS for c in columns) for columns in read],
        ),
        observables=_records(
            OBSERVABLE,
            None,
            len(seen),
            **_fields(seen, OBSERVABLE),
            **_spans("level", (len(o.levels) for o in seen)),
            **_spans("part", (len(o.parts) for o in seen)),
        ),
        ends=np.array([*n.ends, *r.extra_ends], dtype=np.int32),
        inside=n.inside,
        inside_ohms=n.inside_ohms,
        closed=r.closed,
        unplugged=r.unplugged,
        fuses=_ints(np.flatnonzero(n.fuse_amps)),
        sources=_ints(np.flatnonzero(n.source)),
        read=_ints(chain.from_iterable(read)),
        level_volts=np.array([volts for o in seen for volts in o.levels], dtype=float),
        of_part=_ints(chain.from_iterable(o.parts for o in seen)),
        n_history=r.n_history,
    )


def make_room(t: Tables, plan: MeshPlan, most_steps: int) -> Room:
    """Room for one call."""
    elements = len(plan.place)
    return Room(
        good=np.zeros((len(t.rigs), elements)),
        siemens=np.zeros(elements),
        amps=np.zeros(plan.n_nets),
        edges=np.zeros((2, max(plan.n_edges + 1, plan.n_nets))),
        ohms=np.zeros(plan.n_nets),
        volts=np.zeros(plan.n_nets),
        rise=np.zeros(plan.n_nets),
        state=np.zeros(len(t.parts), dtype=np.int32),
        blown=np.zeros(len(t.parts), dtype=bool),
        path=np.zeros(most_steps, dtype=np.int64),
    )


def _records(dtype: np.dtype[Any], source: object, count: int, /, **more: Any) -> NDArray[np.void]:
    """Records whose fields are those arrays of a netlist or of rigs, and some more; else 0."""
    table = np.zeros(count, dtype=dtype)
    for name in dtype.names or ():
        if name in more:
            table[name] = more[name]
        elif hasattr(source, name):
            table[name] = getattr(source, name)
    return table


def _fields(rows: Sequence[Any], dtype: np.dtype[Any]) -> dict[str, list[Any]]:
    """Those fields that the rows have themselves."""
    names = [name for name in dtype.names or () if rows and hasattr(rows[0], name)]
    return {name: [getattr(row, name) for row in rows] for name in names}


def _spans(name: str, lengths: Iterable[int]) -> dict[str, Ints]:
    """Where each of a list of lists begins and ends."""
    starts = _ints(accumulate(lengths, initial=0))
    return {f"first_{name}": starts[:-1], f"end_{name}": starts[1:]}


def _ints(values: Iterable[Any]) -> Ints:
    return np.array([*values], dtype=np.int32)
