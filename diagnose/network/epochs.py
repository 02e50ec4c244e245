"""Repairs as evidence: the network unrolled over what was done to the machine.

An epoch ends with a repair. Parts that were not touched keep their modes from one epoch to the
next; the repaired part gets a new node, good but for a small chance that the new one is bad; and
whatever depends on it, functions and tests, is there once for every epoch (Breese & Heckerman
1996, "Decision-theoretic troubleshooting: a framework for repair and experiment"). "It cranks now"
then clears every other part in that path, and "still dead" forgets nothing that was measured.

Nodes of the current epoch keep their names; those of earlier ones carry the epoch behind a `~`.
Of earlier epochs only what was observed, and what that hangs on, is kept: all else is barren.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference.families import Family, Network
from diagnose.network.outcomes import COMPLAINT_FITS, COMPLAINT_SLIPS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

SAME, GONE = "same", "gone"
"""Outcomes of the functional check after a repair: the complaint is still there, or not."""

CHECK_SLIPS = 0.005
"""Chance that the functional check is written down wrong. Estimate."""


@dataclass(frozen=True, slots=True)
class RepairDone:
    """A repair as the network sees it.

    Attributes:
        part: the part.
        fixes: modes it puts right.
        new_part: whether a new part went in, which may be bad itself.
    """

    part: str
    fixes: tuple[str, ...]
    new_part: bool


def at_epoch(node: str, epoch: int, current: int) -> str:
    """Name of an observed node in an epoch."""
    return node if epoch == current else f"{node}~{epoch}"


def check_node(complaint: str, epoch: int) -> str:
    """Name of the functional check that begins an epoch."""
    return f"check_{complaint}~{epoch}"


def unroll(
    network: Network,
    roots: Collection[str],
    repairs: Sequence[RepairDone],
    observed: Sequence[Collection[str]],
    complaint: str,
    new_part_bad: float,
) -> Network:
    """The network after some repairs.

    Args:
        network: the machine's network.
        roots: its parts and shared causes.
        repairs: in the order done.
        observed: for each epoch that a repair ended, the tests and complaints found in it.
        complaint: the complaint that is checked after every repair.
        new_part_bad: chance that a new part is bad.
    """
    epochs = _Epochs(network, frozenset(roots), tuple(repairs))
    last = len(repairs)
    families = [epochs.root(node) for node in roots]
    families += [epochs.repaired(k, new_part_bad) for k in range(last)]
    for epoch, found in enumerate(observed):
        families += epochs.seen(epoch, found)
    families += epochs.present()
    for epoch in range(1, last + 1):
        families += epochs.check(complaint, epoch)
    return Network(tuple({family.node: family for family in families}.values()))


class _Epochs:
    """Which version of every node belongs to which epoch."""

    def __init__(
        self, network: Network, roots: frozenset[str], repairs: tuple[RepairDone, ...]
    ) -> None:
        self.family = {one.node: one for one in network.families}
        self.leaves = {network.families[i].node for i in network.leaves} - roots
        self.roots = roots
        self.repairs = repairs
        self.parts: dict[str, frozenset[str]] = {}
        for i in network.topological_order:
            one = network.families[i]
            above = (self.parts[parent] for parent in one.parents)
            own = frozenset({one.node}) if one.node in roots else frozenset()
            self.parts[one.node] = own or frozenset().union(*above)

    def version(self, node: str, epoch: int) -> int:
        """The first epoch in which the node was what it is in `epoch`."""
        touched = [k + 1 for k in range(epoch) if self.repairs[k].part in self.parts[node]]
        return max(touched, default=0)

    def name(self, node: str, epoch: int) -> str:
        """Name of a node as it was in an epoch; what is still so keeps its plain name."""
        version = self.version(node, epoch)
        return node if version == self.version(node, len(self.repairs)) else f"{node}~{version}"

    def root(self, node: str) -> Family:
        """A part or cause as the job began; causes only ever work on the part of the beginning."""
        one = self.family[node]
        return self._at(one, self.name(node, 0), 0)

    def repaired(self, repair: int, new_part_bad: float) -> Family:
        """The repaired part, given the one before."""
        done = self.repairs[repair]
        one = self.family[done.part]
        modes = one.states
        prior = one.table.reshape(-1, len(modes)).mean(axis=0)
        fresh = np.eye(len(modes))[0]
        if done.new_part and prior[1:].sum() > 0.0:
            fresh = fresh * (1.0 - new_part_bad)
            fresh[1:] = new_part_bad * prior[1:] / prior[1:].sum()
        table = np.eye(len(modes))
        for i, mode in enumerate(modes):
            if mode in done.fixes or (i == 0 and done.new_part):
                table[i] = fresh
        before, after = self.name(done.part, repair), self.name(done.part, repair + 1)
        return Family.build(after, modes, (before,), table)

    def seen(self, epoch: int, observed: Collection[str]) -> list[Family]:
        """What was observed in an epoch, and the nodes it hangs on."""
        found = [self._at(self.family[leaf], f"{leaf}~{epoch}", epoch) for leaf in observed]
        return found + self._behind(observed, epoch)

    def present(self) -> list[Family]:
        """All of the current epoch."""
        last = len(self.repairs)
        return [
            self._at(one, node, last) for node, one in self.family.items() if node not in self.roots
        ]

    def check(self, complaint: str, epoch: int) -> list[Family]:
        """The functional check at the beginning of an epoch, and the nodes it hangs on."""
        one = self.family[complaint]
        fits = (one.table[..., 0] - COMPLAINT_SLIPS) / (COMPLAINT_FITS - COMPLAINT_SLIPS)
        same = CHECK_SLIPS + (1.0 - 2.0 * CHECK_SLIPS) * np.clip(fits, 0.0, 1.0)
        parents = tuple(self.name(parent, epoch) for parent in one.parents)
        table = np.stack([same, 1.0 - same], axis=-1)
        found = Family.build(check_node(complaint, epoch), (SAME, GONE), parents, table)
        return [found, *self._behind([complaint], epoch)]

    def _behind(self, observed: Collection[str], epoch: int) -> list[Family]:
        found: dict[str, Family] = {}
        todo = [parent for leaf in observed for parent in self.family[leaf].parents]
        while todo:
            node = todo.pop()
            name = self.name(node, epoch)
            if node not in self.roots and name not in found:
                found[name] = self._at(self.family[node], name, epoch)
                todo += self.family[node].parents
        return list(found.values())

    def _at(self, one: Family, name: str, epoch: int) -> Family:
        parents = tuple(self.name(parent, epoch) for parent in one.parents)
        return Family(name, one.states, parents, one.table)


def unrolled_stages(network: Network, stages: Mapping[str, int]) -> dict[str, int]:
    """Stages for `compile_network`: every version of a node goes with the node."""
    plain = {node: node.partition("~")[0] for node in network.index}
    return {node: stages[base] for node, base in plain.items() if base in stages}
