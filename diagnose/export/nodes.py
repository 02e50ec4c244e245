"""Deterministic nodes between the parts and the tests, found site by site.

At every site of the wiring tree two things are kept: what the rest of the circuit must know of
the faults *below* it, and what the tests below it must know of the faults *above* it. Each is a
node whose states are classes of fault sets (`diagnose.export.classes`). The nodes are built from
each other two at a time, so every table has at most two parents: the parts of a stretch of wire
are collected in series, branches are gathered from the leaves to the battery, and the surroundings
are handed down from the battery to the leaves.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.wiring import make_sites
from diagnose.export.classes import Region, join, merge
from diagnose.faults.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from diagnose.export.yardstick import Yardstick
    from diagnose.faults.behaviour import FaultSet
    from diagnose.machine.model import Machine


@dataclass(frozen=True, slots=True, eq=False)
class Node:
    """A part, or a deterministic function of one or two other nodes.

    Attributes:
        name: name in the network.
        parents: names of its parents; empty for a part.
        table: (parent states ...) state of the node.
        sets: the fault set that stands for each state; state 0 is the empty one.
    """

    name: str
    parents: tuple[str, ...]
    table: NDArray[np.int64]
    sets: tuple[FaultSet, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Sites in a row with no test and no branch between them, treated as one.

    Attributes:
        name: name of its last site.
        parent: index of the stretch towards the battery, -1 for the first.
        parts: ids of its parts, battery side first.
    """

    name: str
    parent: int
    parts: tuple[str, ...]


def make_stretches(
    machine: Machine, anchors: Iterable[int]
) -> tuple[tuple[Stretch, ...], dict[int, int]]:
    """Contract the site tree to stretches; also which stretch each site belongs to.

    Args:
        machine: the machine.
        anchors: sites where a test looks in; no stretch runs past one.
    """
    tree = make_sites(machine)
    keep = set(anchors)
    branching = Counter(site.parent for site in tree.sites)
    stretches: list[Stretch] = []
    stretch_of: dict[int, int] = {}
    for i, site in enumerate(tree.sites):
        own = (site.part,) if site.part else ()
        above = site.parent
        if above >= 0 and branching[above] == 1 and above not in keep:
            here = stretch_of[above]
            old = stretches[here]
            stretches[here] = Stretch(site.name, old.parent, old.parts + own)
        else:
            stretches.append(Stretch(site.name, stretch_of.get(above, -1), own))
            here = len(stretches) - 1
        stretch_of[i] = here
    return tuple(stretches), stretch_of


class NodeBuilder:
    """Finds the nodes of one machine.

    Attributes:
        nodes: all nodes made so far by name, parents before children.
        above: by stretch, the node that sums up everything not beyond it; None when nothing
            there matters to the tests at or beyond it.
        tied: by test, the nodes it depends on, for tests that do not hang on parts directly.
        below: by stretch, the node that sums up everything beyond it; None likewise.
    """

    def __init__(
        self,
        yardstick: Yardstick,
        stretches: tuple[Stretch, ...],
        anchored: Mapping[int, int],
        budget: float,
    ) -> None:
        """Prepares, builds nothing yet.

        Args:
            yardstick: by what fault sets are compared.
            stretches: the tree.
            anchored: position in the yardstick's columns -> stretch where its test looks in.
            budget: harm that one merging may do.
        """
        behaviour = yardstick.pairs.behaviour
        self.yardstick = yardstick
        self.budget = budget
        self.stretches = stretches
        self.anchored = anchored
        self.nodes: dict[str, Node] = {}
        self.above: dict[int, Node | None] = {}
        self.below: dict[int, Node | None] = {}
        self.tied: dict[str, tuple[Node, ...]] = {}
        self._upward: dict[int, Node | None] = {}
        self._series: dict[int, Node | None] = {}
        self._later: dict[int, list[Node | None]] = {}
        self._faults_of: dict[str, list[int]] = {}
        for fault, (part, _) in enumerate(behaviour.faults):
            self._faults_of.setdefault(part, []).append(fault)
        for part, faults in self._faults_of.items():
            sets: tuple[FaultSet, ...] = ((), *((fault,) for fault in faults))
            self.nodes[part] = Node(part, (), np.arange(len(sets)), sets)
        self._by_prior = [int(f) for f in np.argsort(-behaviour.priors, kind="stable")]
        n = len(stretches)
        self.kids: list[list[int]] = [[] for _ in range(n)]
        for i, one in enumerate(stretches):
            if one.parent >= 0:
                self.kids[one.parent].append(i)
        self._within: list[set[int]] = [{i} for i in range(n)]
        for i in reversed(range(n)):
            for kid in self.kids[i]:
                self._within[i] |= self._within[kid]

    def build(self) -> None:
        """Make all nodes: in series, from the leaves inwards, from the battery outwards."""
        for i in range(len(self.stretches)):
            self._series[i] = self._collect(i)
        for i in reversed(range(len(self.stretches))):
            self.below[i] = self._gather(i)
            looks = self._columns(set(range(len(self.stretches))) - self._within[i])
            self._upward[i] = self._combine(
                f"from_{self.stretches[i].name}",
                self._series[i],
                self.below[i],
                self._region(looks, self._parts(self._within[i])),
            )
        self._descend(0, None)

    def tie(self, name: str, stretch: int) -> None:
        """Let a test or complaint look in at a stretch."""
        around = (self.above[stretch], self.below[stretch])
        self.tied[name] = tuple(node for node in around if node is not None)

    def fold(self, name: str, parts: tuple[str, ...], column: int) -> None:
        """Sum a list of parts up for one test that takes them all together."""
        node: Node | None = None
        for k, part in enumerate(parts):
            region = self._region(np.array([column]), set(parts[: k + 1]))
            node = self._combine(f"{name}_{part}", node, self.nodes[part], region)
        self.tied[name] = () if node is None else (node,)

    def _parts(self, stretches: Iterable[int]) -> set[str]:
        found = {part for i in stretches for part in self.stretches[i].parts}
        if 0 in set(stretches):
            found.add(UNLISTED)
        return found

    def _columns(self, stretches: set[int]) -> NDArray[np.int64]:
        return np.array(
            [c for c, where in self.anchored.items() if where in stretches], dtype=np.int64
        )

    def _region(self, columns: NDArray[np.int64], own: set[str]) -> Region:
        faults = {f for part in own for f in self._faults_of.get(part, ())}
        others = [f for f in self._by_prior if f not in faults]
        return Region(columns, np.array(others, np.int64))

    def _collect(self, i: int) -> Node | None:
        """The parts of a stretch in series."""
        parts = list(self.stretches[i].parts)
        if i == 0:
            parts.append(UNLISTED)
        columns = np.array(list(self.anchored), dtype=np.int64)
        node: Node | None = None
        for k, part in enumerate(parts):
            region = self._region(columns, set(parts[: k + 1]))
            node = self._combine(f"run_{part}", node, self.nodes[part], region)
        return node

    def _gather(self, i: int) -> Node | None:
        """All branches beyond a stretch, the last one first."""
        name, kids = self.stretches[i].name, self.kids[i]
        everything = set(range(len(self.stretches)))
        inside = self._within[i] - {i}
        later: list[Node | None] = [None]
        rest: set[int] = set()
        for place in reversed(range(1, len(kids))):
            rest |= self._within[kids[place]]
            region = self._region(self._columns(everything - rest), self._parts(rest))
            kid = self._upward[kids[place]]
            later.append(self._combine(f"beyond_{name}_{place}", kid, later[-1], region))
        self._later[i] = later[::-1]
        if not kids:
            return None
        region = self._region(self._columns(everything - inside), self._parts(inside))
        first = self._upward[kids[0]]
        return self._combine(f"beyond_{name}", first, self._later[i][0], region)

    def _descend(self, i: int, outer: Node | None) -> None:
        """Hand the surroundings of a stretch on to its branches."""
        everything = set(range(len(self.stretches)))
        ahead = self._within[i] - {i}
        region = self._region(self._columns(self._within[i]), self._parts(everything - ahead))
        name = self.stretches[i].name
        node = self.above[i] = self._combine(f"up_to_{name}", outer, self._series[i], region)
        for kid, later in zip(self.kids[i], self._later[i], strict=False):
            within = self._within[kid]
            region = self._region(self._columns(within), self._parts(everything - within))
            entry = self._combine(f"to_{self.stretches[kid].name}", node, later, region)
            ahead = ahead - within
            if ahead:
                region = self._region(self._columns(ahead), self._parts(everything - ahead))
                past = f"past_{self.stretches[kid].name}"
                node = self._combine(past, node, self._upward[kid], region)
            self._descend(kid, entry)

    def _combine(
        self, name: str, left: Node | None, right: Node | None, region: Region
    ) -> Node | None:
        """The node that sums up two others for a region; an old one when nothing is merged."""
        if left is None or right is None:
            return self._coarsen(name, left or right, region)
        sets = [join(one, two) for one in left.sets for two in right.sets]
        state, leaders = merge(self.yardstick, region, sets, self.budget)
        table = state.reshape(len(left.sets), len(right.sets))
        if (table == table[:, :1]).all():
            return self._coarsen(name, left, region)
        if (table == table[:1]).all():
            return self._coarsen(name, right, region)
        return self._keep(Node(name, (left.name, right.name), table, tuple(leaders)))

    def _coarsen(self, name: str, node: Node | None, region: Region) -> Node | None:
        if node is None:
            return None
        state, leaders = merge(self.yardstick, region, node.sets, self.budget)
        if len(leaders) == 1:
            return None
        if len(leaders) == len(node.sets):
            return node
        return self._keep(Node(name, (node.name,), state, tuple(leaders)))

    def _keep(self, node: Node) -> Node:
        self.nodes[node.name] = node
        return node
