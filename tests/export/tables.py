"""What a network says when its roots are forced: a walk down its tables, without inference."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.outcomes import outcome_chances
from diagnose.faults.words import UNLISTED

if TYPE_CHECKING:
    from diagnose.export.pairs import PairTable
    from diagnose.inference.families import Network
    from diagnose.machine.model import Machine


JOINTS, WAYS = "loose_joints", (0.5, 0.3, 0.2)
"""Every other loose joint comes and goes; of the others three touch for two that are apart."""


def between(network: Network, machine: Machine) -> tuple[str, ...]:
    """Nodes that are neither roots nor leaves: what must be deterministic."""
    known = {*machine.parts, UNLISTED, *machine.shared_causes, *machine.tests, *machine.complaints}
    known.add(JOINTS)
    return tuple(family.node for family in network.families if family.node not in known)


class Tables:
    """By test, (sets, outcomes) P(outcome | these faults and no others), in two ways."""

    def __init__(self, network: Network, pairs: PairTable) -> None:
        self.network = network
        self.pairs = pairs
        behaviour = pairs.behaviour
        n = len(pairs.sets)
        modes = [
            behaviour.machine.parts[p].modes[m] for p, m in behaviour.faults[: behaviour.n_listed]
        ]
        joints = {number for number, mode in enumerate(modes) if mode.loose}
        self.loose = np.array([not joints.isdisjoint(faults) for faults in pairs.sets])
        state = {part: np.zeros(n, np.int64) for part in (*behaviour.machine.parts, UNLISTED)}
        for row, faults in enumerate(pairs.sets):
            for fault in faults:
                part, mode = behaviour.faults[fault]
                state[part][row] = network.families[network.index[part]].states.index(mode)
        inner = set(between(network, behaviour.machine))
        for place in network.topological_order:
            family = network.families[place]
            if family.node in inner:
                rows = family.table[tuple(state[parent] for parent in family.parents)]
                state[family.node] = rows.argmax(axis=-1)
        self.state = state

    def walked(self, test: str) -> np.ndarray:
        """By the tables of the network, in whatever way loose joints stand."""
        family = self.network.families[self.network.index[test]]
        if family.parents[-1:] != (JOINTS,):
            return family.table[tuple(self.state[parent] for parent in family.parents)]
        table = family.table[tuple(self.state[parent] for parent in family.parents[:-1])]
        return np.einsum("swo,w->so", table, WAYS)

    def solved(self, test: str) -> np.ndarray:
        """By solving the whole circuit."""
        known = self.pairs.behaviour.machine.tests[test]
        column = self.pairs.behaviour.column_of(known)
        values = self.pairs.readings[self.pairs.index][:, column]
        found, held = outcome_chances(known, values), values.copy()
        if known.kind != "wiggle" and not (known.kind == "look" and known.parts):
            touching, apart = (outcome_chances(known, held[:, [k, k]]) for k in (0, 1))
            each = np.stack([found, touching, apart], axis=2)
            found[self.loose] = (each @ np.array(WAYS))[self.loose]
        return found
