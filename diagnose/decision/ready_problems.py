"""Decision problems made ready: worked out once, then read from disk, then kept in memory.

Solving the triples and listing where repairs lead takes seconds; all that follows from them and
the machine's own figures is put together again in milliseconds. So a bundle keeps the fault sets
with their readings and moves, and nothing that can be looked up in the machine.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.decision.fault_sets import FaultSpace, make_fault_space
from diagnose.decision.known import KnownMinutes
from diagnose.decision.machine_problem import MachineProblems, Moves, make_moves, problems_of
from diagnose.inference import cache
from diagnose.inference.unkeyed import Unkeyed
from diagnose.network.behaviour import Behaviour, single_behaviour
from diagnose.network.ready import behaviour_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from diagnose.decision.problem import DecisionProblem, Floats
    from diagnose.machine.model import Machine

    Progress = Callable[[str], None]

KIND = "decision"
LAYERS = ("advice", "circuit", "decision", "inference", "machine", "network")
"""Packages whose source decides what the problems look like."""

KEPT = 4
"""Machines kept in memory; each takes some 50 megabytes."""


@dataclass(frozen=True, slots=True, eq=False)
class ReadyProblems:
    """A machine's decision problems with what a look further needs.

    Attributes:
        behaviour: the machine's observables; its readings of pairs are not in it.
        held: fault sets and decision problems.
        known: by complaint (sets,) minutes if one knew what is wrong; see `KnownMinutes`.
    """

    behaviour: Behaviour
    held: MachineProblems
    known: Mapping[str, Floats]

    @property
    def machine(self) -> Machine:
        """The machine."""
        return self.behaviour.machine

    @property
    def space(self) -> FaultSpace:
        """Its fault sets."""
        return self.held.space

    def problem(self, complaint: str) -> DecisionProblem:
        """The decision problem of a complaint."""
        return self.held.problems[complaint]


def ready_problems(machine: Machine, progress: Progress | None = None) -> ReadyProblems:
    """The decision problems of a machine: from memory, from the cache, else worked out and stored.

    Args:
        machine: a checked machine with its `content_hash`.
        progress: called with a sentence before they are worked out.

    Raises:
        CircuitError: the machine cannot be solved.
    """
    return _ready(machine.content_hash, Unkeyed((machine, progress or (lambda _: None))))


@lru_cache(maxsize=KEPT)
def _ready(content_hash: str, asked: Unkeyed[tuple[Machine, Progress]]) -> ReadyProblems:
    machine, progress = asked.value
    key = cache.content_hash(content_hash.encode(), cache.source_hash(LAYERS))
    stored = cache.load(KIND, key)
    if stored is not None:
        try:
            return _unpack(machine, stored)
        except (KeyError, IndexError, ValueError):
            stored = None
    progress(f"{machine.id}: preparing to look further ahead")
    behaviour = behaviour_of(machine)
    space = make_fault_space(behaviour)
    moves = make_moves(behaviour, space)
    held = problems_of(behaviour, space, moves)
    known = {name: KnownMinutes(one).table() for name, one in held.problems.items()}
    cache.store(KIND, key, _pack(space, moves, known))
    return ReadyProblems(single_behaviour(machine), held, known)


def _pack(
    space: FaultSpace, moves: Moves, known: Mapping[str, Floats]
) -> dict[str, NDArray[np.generic]]:
    arrays: dict[str, NDArray[Any]] = {
        "sets": np.array([(*one, -1, -1, -1)[:3] for one in space.sets], dtype=np.int16),
        "prior": space.prior,
        "values": np.concatenate(space.values),
        "counts": np.array([len(one) for one in space.values]),
        "place": space.place,
        "after": moves.after,
        "joined": moves.joined,
    }
    arrays |= {f"cause.{name}": one for name, one in space.causes.items()}
    return arrays | {f"known.{name}": one for name, one in known.items()}


def _unpack(machine: Machine, arrays: Mapping[str, NDArray[Any]]) -> ReadyProblems:
    behaviour = single_behaviour(machine)
    sets = tuple(tuple(f for f in one if f >= 0) for one in arrays["sets"].tolist())
    space = FaultSpace(
        sets=sets,
        prior=arrays["prior"],
        causes={name: arrays[f"cause.{name}"] for name in machine.shared_causes},
        values=tuple(np.split(arrays["values"], np.cumsum(arrays["counts"])[:-1])),
        place=arrays["place"],
        index={one: row for row, one in enumerate(sets)},
    )
    held = problems_of(behaviour, space, Moves(arrays["after"], arrays["joined"]))
    known = {name: arrays[f"known.{name}"] for name in machine.complaints}
    return ReadyProblems(behaviour, held, known)
