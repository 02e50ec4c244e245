"""A machine made ready: its data, compiled network and predictions, kept on disk between runs.

Reading YAML, solving thousands of circuits and compiling the network take seconds; what comes out
depends only on the machine file and on this program. So it is stored under the hash of both, and
a warm start reads one file.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import astuple, dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.inference import cache
from diagnose.inference.compiled import CompiledNetwork, compile_network
from diagnose.inference.unkeyed import Unkeyed
from diagnose.machine.archive import machine_from_json, machine_to_json

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from diagnose.machine.model import Machine
    from diagnose.network.behaviour import Behaviour
    from diagnose.network.build import DiagnosticNetwork
    from diagnose.network.lives import PastRepair

KIND, PAIRS, REPAIRED = "machine", "pairs", "repaired"
"""Kinds of bundles: a machine, the readings of its pairs of faults, a machine after repairs."""

LAYERS = ("circuit", "inference", "machine", "network")
"""Packages whose source decides what a machine's network looks like."""

PLAIN_ROWS = 20_000_000
"""So many rows may the network of a machine have before any repair."""

MOST_ROWS = 4_000_000
"""So many may the network over all repairs have; beyond, the oldest are folded."""

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class ReadyMachine:
    """All that advice needs of one machine.

    Attributes:
        machine: the machine.
        compiled: its network.
        means, deviations, shares: test -> (parents ..., outcomes, 2) predicted readings; see
            `diagnose.network.build.Prediction`.
        faults: (part, mode) of every fault, the unlisted ones last.
        single_readings: test -> (faults + 1, 2) reading under each single fault, the last row
            with everything good.
        explains: complaint -> (faults,) share of the time that the fault alone gives it.
        folded: repairs that the network begins behind; what was found before them is `soft`.
        soft: root -> weights over its states, from what was found before.
    """

    machine: Machine
    compiled: CompiledNetwork
    means: Mapping[str, NDArray[np.float64]]
    deviations: Mapping[str, NDArray[np.float64]]
    shares: Mapping[str, NDArray[np.float64]]
    faults: tuple[tuple[str, str], ...]
    single_readings: Mapping[str, NDArray[np.float64]]
    explains: Mapping[str, NDArray[np.float64]]
    folded: int = 0
    soft: Mapping[str, tuple[float, ...]] = field(default_factory=dict)


def make_ready(machine: Machine, progress: Progress | None = None) -> ReadyMachine:
    """The machine made ready: from the cache when it is there, else worked out and stored.

    Args:
        machine: a checked machine with its `content_hash`.
        progress: called with a sentence before each long step.

    Raises:
        CircuitError, NetworkError, NetworkTooLargeError: the machine cannot be solved.
    """
    return _ready(machine.content_hash, Unkeyed(_Once(machine, progress)))


def ready_from_text(
    text: bytes, read: Callable[[], Machine], progress: Progress | None = None
) -> ReadyMachine:
    """The same for a machine file's bytes; the file is only read (checked) when it must be.

    Args:
        text: the content of the machine file.
        read: reads and checks the file.
        progress: as in `make_ready`.
    """
    return _ready(hashlib.sha256(text).hexdigest(), Unkeyed(_Once(None, progress, read)))


class _Once:
    """A machine, or how to get it."""

    def __init__(
        self,
        machine: Machine | None,
        progress: Progress | None,
        read: Callable[[], Machine] | None = None,
    ) -> None:
        self.machine = machine
        self.progress = progress or (lambda _: None)
        self.read = read

    def get(self) -> Machine:
        if self.machine is None:
            assert self.read is not None  # noqa: S101 - one of the two is always given
            self.progress("reading the machine file")
            self.machine = self.read()
        return self.machine


@lru_cache(maxsize=16)
def _ready(content_hash: str, once: Unkeyed[_Once]) -> ReadyMachine:
    key = cache.content_hash(content_hash.encode(), cache.source_hash(LAYERS))
    stored = _stored(KIND, key)
    if stored is not None:
        return stored
    made = _work_out(once.value.get(), once.value.progress)
    cache.store(KIND, key, _pack(made))
    return made


def _stored(kind: str, key: str) -> ReadyMachine | None:
    """What the cache holds under a key; what cannot be read counts as absent."""
    arrays = cache.load(kind, key)
    if arrays is None:
        return None
    try:
        return _unpack(arrays)
    except Exception:
        return None


def _work_out(machine: Machine, progress: Progress) -> ReadyMachine:
    from diagnose.network.behaviour import make_behaviour  # noqa: PLC0415 - only when not cached
    from diagnose.network.build import network_of  # noqa: PLC0415

    progress(f"{machine.id}: solving the circuit for every fault and every pair of faults")
    behaviour = make_behaviour(machine)
    progress(f"{machine.id}: finding the states that tests can tell apart")
    built: DiagnosticNetwork = network_of(behaviour)
    progress(f"{machine.id}: compiling the network of {len(built.network.families)} nodes")
    return ready_of(behaviour, built)


def behaviour_of(machine: Machine) -> Behaviour:
    """A machine's behaviour with all pairs; solved once, then kept on disk like the network."""
    return _behaviour(machine.content_hash, Unkeyed(machine))


@lru_cache(maxsize=2)
def _behaviour(content_hash: str, asked: Unkeyed[Machine]) -> Behaviour:
    from diagnose.network.behaviour import make_behaviour, single_behaviour  # noqa: PLC0415

    machine = asked.value
    key = cache.content_hash(content_hash.encode(), cache.source_hash(LAYERS))
    stored = cache.load(PAIRS, key)
    if stored is not None:
        return replace(single_behaviour(machine), pairs=stored["pairs"])
    made = make_behaviour(machine)
    cache.store(PAIRS, key, {"pairs": made.pairs})
    return made


def ready_after(
    ready: ReadyMachine,
    complaint: str,
    past: Sequence[PastRepair],
    weights: Mapping[tuple[str, str], float],
) -> ReadyMachine:
    """The machine after repairs: the same data over the network of all epochs.

    Args:
        ready: the machine as it came.
        complaint: id of the complaint.
        past: the repairs, the oldest first.
        weights: by part and mode (or life as it was before the last repair) how likely it was
            before the last repair; see `diagnose.network.unrolled`.

    Raises:
        NetworkTooLargeError: more repairs than fit in memory.
    """
    machine = ready.machine
    told = json.dumps([complaint, [astuple(one) for one in past], sorted(weights.items())])
    key = cache.content_hash(
        machine.content_hash.encode(), cache.source_hash(LAYERS), told.encode()
    )
    stored = _stored(REPAIRED, key)
    if stored is not None:
        return stored
    from diagnose.network.unrolled import make_history, unrolled_network  # noqa: PLC0415

    history = make_history(machine, complaint, past, weights)
    behaviour = behaviour_of(machine)
    built = unrolled_network(behaviour, history, weights)
    made = ready_of(behaviour, built, MOST_ROWS)
    cache.store(REPAIRED, key, _pack(made))
    return made


def ready_of(
    behaviour: Behaviour, built: DiagnosticNetwork, max_rows: int = PLAIN_ROWS
) -> ReadyMachine:
    """The machine made ready from its behaviour and its network; only compiles.

    Args:
        behaviour: of the machine as it came.
        built: its network.
        max_rows: how large it may become.

    Raises:
        NetworkTooLargeError: the network would need too many rows.
    """
    machine = behaviour.machine
    compiled = compile_network(built.network, stages=built.stages, max_rows=max_rows)
    none = len(behaviour.faults)
    single = behaviour.pairs[np.arange(none + 1), none]
    column = behaviour.column
    return ReadyMachine(
        machine=machine,
        compiled=compiled,
        means={name: one.mean for name, one in built.predictions.items()},
        deviations={name: one.deviation for name, one in built.predictions.items()},
        shares={name: one.share for name, one in built.predictions.items()},
        faults=behaviour.faults,
        single_readings={
            test.id: single[:, column[test.id]]
            for test in machine.tests.values()
            if test.id in column and test.unit is not None
        },
        explains={
            complaint: 1.0 - single[:none, column[complaint]].mean(axis=-1)
            for complaint in machine.complaints
        },
    )


def _pack(ready: ReadyMachine) -> dict[str, NDArray[Any]]:
    text = {
        "machine": json.loads(machine_to_json(ready.machine)),
        "faults": ready.faults,
    }
    arrays = {f"net.{name}": array for name, array in ready.compiled.to_arrays().items()}
    arrays["text"] = np.frombuffer(json.dumps(text).encode(), np.uint8)
    groups = (
        ("mean", ready.means),
        ("deviation", ready.deviations),
        ("share", ready.shares),
        ("single", ready.single_readings),
        ("explains", ready.explains),
    )
    for group, held in groups:
        arrays |= {f"{group}.{name}": array for name, array in held.items()}
    return arrays


def _unpack(arrays: Mapping[str, NDArray[Any]]) -> ReadyMachine:
    groups: dict[str, dict[str, NDArray[Any]]] = {}
    for full, array in arrays.items():
        group, _, name = full.partition(".")
        groups.setdefault(group, {})[name] = array
    text = json.loads(bytes(arrays["text"]))
    return ReadyMachine(
        machine=machine_from_json(json.dumps(text["machine"])),
        compiled=CompiledNetwork.from_arrays(groups["net"]),
        means=groups.get("mean", {}),
        deviations=groups.get("deviation", {}),
        shares=groups.get("share", {}),
        faults=tuple((part, mode) for part, mode in text["faults"]),
        single_readings=groups.get("single", {}),
        explains=groups["explains"],
    )
