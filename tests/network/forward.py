"""What a network predicts when its roots are forced: a walk down its tables, without inference."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.inference.families import Network
    from diagnose.machine.model import Machine
    from diagnose.faults.behaviour import Behaviour, FaultSet


def leaf_names(machine: Machine) -> tuple[str, ...]:
    """Tests that look at the circuit, and complaints."""
    tests = [test.id for test in machine.tests.values() if test.cause is None]
    return (*tests, *machine.complaints)


def between(network: Network, machine: Machine) -> tuple[str, ...]:
    """Nodes that are neither roots nor leaves: what must be deterministic."""
    known = {*machine.parts, UNLISTED, *machine.shared_causes, *machine.tests, *machine.complaints}
    return tuple(family.node for family in network.families if family.node not in known)


class Predictions:
    """By test or complaint, (sets, outcomes) P(outcome | these faults and no others)."""

    def __init__(self, network: Network, behaviour: Behaviour, sets: Sequence[FaultSet]) -> None:
        machine = behaviour.machine
        self.network = network
        state = {part: np.zeros(len(sets), dtype=np.int64) for part in (*machine.parts, UNLISTED)}
        for row, one in enumerate(sets):
            for fault in one:
                part, mode = behaviour.faults[fault]
                state[part][row] = network.families[network.index[part]].states.index(mode)
        inner = set(between(network, machine))
        for place in network.topological_order:
            family = network.families[place]
            if family.node in inner:
                rows = family.table[tuple(state[parent] for parent in family.parents)]
                state[family.node] = rows.argmax(axis=-1)
        self.state = state
        self.n_sets = len(sets)

    def __call__(self, leaf: str) -> np.ndarray:
        family = self.network.families[self.network.index[leaf]]
        rows = family.table[tuple(self.state[parent] for parent in family.parents)]
        return np.broadcast_to(rows, (self.n_sets, rows.shape[-1]))
