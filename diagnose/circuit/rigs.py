"""What is hooked up and read: conditions, instruments and observables as arrays.

A *rig* is the circuit as it stands for one measurement: the condition of the controls, parts
unplugged, a good part put in on trial, and whatever the instrument itself connects (a test lamp,
a load tester, a jumper). Tests that share a rig are read from one solution. An *observable* is
one thing read from a rig: volts, amps, a function's level, ohms, what can be seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.circuit.mesh import make_plan
from diagnose.circuit.netlist import NONE, Netlist, main_nets, make_netlist
from diagnose.errors import CircuitError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from diagnose.circuit.mesh import MeshPlan
    from diagnose.machine.model import Function, Machine, Test

VOLTS, LAMP, AMPS, LEVEL, RELAY, OHMS, COIL, VISIBLE, LOOSE = range(9)
"""Kinds of observables."""

JUMPER_OHMS = 0.01
"""A jumper lead with its clips. Estimate."""

RELAY_LEVELS = ("pulls_in", "chatters", "silent")


@dataclass(frozen=True, slots=True)
class Rigs:
    """Rigs and observables of one machine.

    Attributes:
        names: (observables,) id of the test or function read, in the machine's order.
        kind: (observables,) one of the kinds above.
        rig: (observables,) rig it is read from.
        plus, minus: (observables,) nets between which volts are read.
        part: (observables,) part clamped or watched, `NONE` otherwise.
        thresholds: (observables, most levels) volts of a function's levels, best first, -inf
            beyond the last.
        n_levels: (observables,) levels of a function, 0 for a quantity.
        parts_start, parts_flat: extents and parts of OHMS, COIL, VISIBLE and LOOSE observables.
        read_start, read: extents by rig, and the observables read from it as volts or amps.
        condition: (rigs,) index of the condition.
        closed: (rigs, parts) 1 where a switch is held closed or a generator turns.
        unplugged: (rigs, parts) 1 where the part is out of the circuit.
        forced: (rigs,) part replaced by a good one, or `NONE`.
        extra: (rigs,) element the instrument adds, or `NONE`.
        extra_siemens: (rigs,) its conductance.
        n_history: the first rigs are the plain conditions, in which fuses may have blown.
        extra_ends: (extras, 2) nets of the added elements, numbered after the netlist's own.
    """

    names: tuple[str, ...]
    kind: NDArray[np.int8]
    rig: NDArray[np.int32]
    plus: NDArray[np.int32]
    minus: NDArray[np.int32]
    part: NDArray[np.int32]
    thresholds: NDArray[np.float64]
    n_levels: NDArray[np.int32]
    parts_start: NDArray[np.int32]
    parts_flat: NDArray[np.int32]
    read_start: NDArray[np.int32]
    read: NDArray[np.int32]
    condition: NDArray[np.int32]
    closed: NDArray[np.int8]
    unplugged: NDArray[np.int8]
    forced: NDArray[np.int32]
    extra: NDArray[np.int32]
    extra_siemens: NDArray[np.float64]
    n_history: int
    extra_ends: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Circuit:
    """All that solving a machine needs: elements, rigs, elimination plan."""

    netlist: Netlist
    rigs: Rigs
    plan: MeshPlan


@dataclass(frozen=True, slots=True)
class _RigKey:
    condition: str | None
    unplugged: tuple[str, ...] = ()
    forced: str | None = None
    extra: tuple[str, str] | None = None
    extra_ohms: float = 0.0


@dataclass(frozen=True, slots=True)
class _Seen:
    name: str
    kind: int
    key: _RigKey
    plus: str | None = None
    minus: str | None = None
    part: str | None = None
    levels: tuple[float, ...] = ()
    n_levels: int = 0
    parts: tuple[str, ...] = ()


def make_circuit(machine: Machine) -> Circuit:
    """Number everything once: elements, rigs, observables, order of elimination.

    Raises:
        CircuitError: the machine has not exactly one battery, or a part is tried out by
            watching a function that is made up of others.
    """
    netlist = make_netlist(machine)
    rigs = _number(machine, netlist, observables(machine))
    ends = [(int(a), int(b)) for a, b in netlist.ends]
    plan = make_plan(len(netlist.nets), [*ends, *rigs.extra_ends])
    return Circuit(netlist, rigs, plan)


def observables(machine: Machine) -> list[_Seen]:
    """Everything that can be read: each function that a part shows, then each test."""
    seen = [
        _seen_function(function.id, function, _RigKey(function.condition))
        for function in machine.functions.values()
        if function.kind != "all_of"
    ]
    for test in machine.tests.values():
        one = _seen_test(machine, test)
        if one is not None:
            seen.append(one)
    return seen


def _seen_function(name: str, function: Function, key: _RigKey) -> _Seen:
    kind = RELAY if function.kind == "relay" else LEVEL
    levels = tuple(
        level.at_least_volts for level in function.levels if level.at_least_volts is not None
    )
    n_levels = len(RELAY_LEVELS) if kind == RELAY else len(function.levels)
    return _Seen(name, kind, key, part=function.part, levels=levels, n_levels=n_levels)


def _seen_test(machine: Machine, test: Test) -> _Seen | None:
    """The observable of a test; None when it only reports a function or a shared cause."""
    key = _RigKey(test.condition, test.unplugged)
    if test.probes is not None:
        extra = test.probes if test.added_ohms is not None else None
        key = _RigKey(test.condition, test.unplugged, None, extra, test.added_ohms or 0.0)
        return _Seen(test.id, LAMP if test.kind == "lamp" else VOLTS, key, *test.probes)
    if test.kind in {"substitute", "bridge"} and test.function is not None:
        return _seen_trial(machine, test, machine.functions[test.function])
    if test.kind == "load_test":
        battery = machine.parts[test.parts[0]]
        posts = main_nets(battery)
        key = _RigKey(test.condition, test.unplugged, None, posts, test.added_ohms or 0.0)
        return _Seen(test.id, VOLTS, key, *posts)
    if test.kind == "amps":
        return _Seen(test.id, AMPS, key, part=test.parts[0])
    kinds = {"ohms": COIL if test.across == "coil" else OHMS, "look": VISIBLE, "wiggle": LOOSE}
    if test.kind in kinds and test.parts:
        return _Seen(test.id, kinds[test.kind], _RigKey(test.condition), parts=test.parts)
    return None


def _seen_trial(machine: Machine, test: Test, function: Function) -> _Seen:
    if function.kind == "all_of":
        raise CircuitError(
            f"{test.id} watches {function.id}, which is made up of other functions; "
            f"expected one of {', '.join(function.needs)}",
            test.parts,
        )
    part = machine.parts[test.parts[0]]
    condition = test.condition or function.condition
    if test.kind == "substitute":
        key = _RigKey(condition, test.unplugged, forced=part.id)
    else:
        key = _RigKey(condition, test.unplugged, None, main_nets(part), JUMPER_OHMS)
    return _seen_function(test.id, function, key)


def _number(machine: Machine, netlist: Netlist, seen: list[_Seen]) -> Rigs:
    keys = dict.fromkeys(_RigKey(condition) for condition in machine.conditions)
    keys |= dict.fromkeys(one.key for one in seen)
    return Rigs(
        **_observable_values(netlist, seen, list(keys)),
        **_rig_values(machine, netlist, list(keys)),
        n_history=len(machine.conditions),
    )


def _observable_values(netlist: Netlist, seen: list[_Seen], keys: list[_RigKey]) -> dict[str, Any]:
    """The observables' arrays of `Rigs`."""
    parts_flat = [[netlist.part(part) for part in one.parts] for one in seen]
    reads = [
        [o for o, one in enumerate(seen) if one.key == key and one.kind < OHMS] for key in keys
    ]
    thresholds = np.full((len(seen), max((len(one.levels) for one in seen), default=0)), -np.inf)
    for row, one in zip(thresholds, seen, strict=True):
        row[: len(one.levels)] = one.levels
    return {
        "names": tuple(one.name for one in seen),
        "kind": np.array([one.kind for one in seen], dtype=np.int8),
        "rig": _numbers(keys.index(one.key) for one in seen),
        "plus": _numbers(netlist.net(one.plus or "") for one in seen),
        "minus": _numbers(netlist.net(one.minus or "") for one in seen),
        "part": _numbers(netlist.part(one.part) if one.part else NONE for one in seen),
        "thresholds": thresholds,
        "n_levels": _numbers(one.n_levels for one in seen),
        "parts_start": np.cumsum([0, *map(len, parts_flat)]).astype(np.int32),
        "parts_flat": _numbers(p for row in parts_flat for p in row),
        "read_start": np.cumsum([0, *map(len, reads)]).astype(np.int32),
        "read": _numbers(o for row in reads for o in row),
    }


def _rig_values(machine: Machine, netlist: Netlist, keys: list[_RigKey]) -> dict[str, Any]:
    """The rigs' arrays of `Rigs`."""
    extras = [key for key in keys if key.extra is not None]
    extra_of = {key: len(netlist.ends) + i for i, key in enumerate(extras)}
    conditions = tuple(machine.conditions)
    return {
        "condition": _numbers(
            conditions.index(key.condition) if key.condition else NONE for key in keys
        ),
        "closed": np.array([_closed(machine, key) for key in keys], dtype=np.int8),
        "unplugged": np.array(
            [[part in key.unplugged for part in machine.parts] for key in keys], dtype=np.int8
        ),
        "forced": _numbers(netlist.part(key.forced) if key.forced else NONE for key in keys),
        "extra": _numbers(extra_of.get(key, NONE) for key in keys),
        "extra_siemens": np.array([1.0 / key.extra_ohms if key.extra else 0.0 for key in keys]),
        "extra_ends": tuple(
            (netlist.net(key.extra[0]), netlist.net(key.extra[1])) for key in extras if key.extra
        ),
    }


def _numbers(values: Iterable[int]) -> NDArray[np.int32]:
    return np.array(list(values), dtype=np.int32)


def _closed(machine: Machine, key: _RigKey) -> list[bool]:
    if key.condition is None:
        return [False] * len(machine.parts)
    condition = machine.conditions[key.condition]
    return [part in condition.closes or part in condition.running for part in machine.parts]


def level_names(machine: Machine) -> Mapping[str, tuple[str, ...]]:
    """Levels of every function, best first."""
    return {
        function.id: (
            RELAY_LEVELS
            if function.kind == "relay"
            else ("yes", "no")
            if function.kind == "all_of"
            else tuple(level.id for level in function.levels)
        )
        for function in machine.functions.values()
    }
