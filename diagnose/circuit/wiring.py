"""The wiring as a tree of sites, from the battery outwards.

Vehicle wiring is radial: a supply tree spreads from the battery's plus post, a return tree gathers
to its minus post, loads lie between. Both are folded into one tree. Its sites follow the supply
tree; a part on the return side belongs where the loads it serves branch off: a ground wire of one
load hangs behind that load, the ground strap of everything sits in the trunk beside the plus
cable. Every part has exactly one site, and whatever passes between a site's subtree and the rest
of the circuit passes through that site.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import networkx as nx

from diagnose.circuit.netlist import coil_nets, main_nets
from diagnose.errors import CircuitError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from diagnose.machine.model import Machine, Part

LOADS = frozenset({"load", "motor", "generator"})


@dataclass(frozen=True, slots=True)
class Site:
    """A place in the tree, with at most one part on the way to it from its parent.

    Attributes:
        name: unique name.
        parent: index of the parent site, -1 for the root (the battery).
        part: id of the part, None where a wire merely branches.
        net: net on the far side of the part, None where it is not one that can be probed.
    """

    name: str
    parent: int
    part: str | None
    net: str | None


@dataclass(frozen=True, slots=True)
class SiteTree:
    """Sites in an order where parents come first.

    Attributes:
        sites: the sites; site 0 holds the battery.
        site_of_part: part id -> site.
        site_of_net: net -> site where a probe on that net belongs.
    """

    sites: tuple[Site, ...]
    site_of_part: Mapping[str, int]
    site_of_net: Mapping[str, int]

    def children(self, site: int) -> list[int]:
        """Direct children, in order."""
        return [i for i, one in enumerate(self.sites) if one.parent == site]

    def path(self, site: int) -> list[int]:
        """Sites from the root down to this one, both included."""
        found = [site]
        while self.sites[found[-1]].parent >= 0:
            found.append(self.sites[found[-1]].parent)
        return found[::-1]

    def common(self, sites: Iterable[int]) -> int:
        """The deepest site that has all of these in its subtree; the root when none is given."""
        paths = [self.path(site) for site in sites]
        deepest = 0
        for level in zip(*paths, strict=False):
            if len(set(level)) > 1:
                break
            deepest = level[0]
        return deepest


def conducting_graph(machine: Machine) -> nx.MultiGraph:
    """Nets joined by the parts that conduct: wires, joints, fuses, contacts; no loads, no coils."""
    graph = nx.MultiGraph()
    graph.add_nodes_from(net for part in machine.parts.values() for net in part.terminals.values())
    for part in machine.parts.values():
        if part.kind not in LOADS and part.kind != "battery":
            graph.add_edge(*main_nets(part), part=part.id)
    return graph


def net_tree(graph: nx.MultiGraph, root: str) -> dict[str, tuple[str, str]]:
    """Net -> (net towards the root, part between), in the order met.

    Raises:
        CircuitError: parts form a loop.
    """
    above: dict[str, tuple[str, str]] = {}
    queue = [root]
    for net in queue:
        for _, other, part in graph.edges(net, data="part"):
            if above.get(net, ("", ""))[1] == part:
                continue
            if other in above or other == root:
                loop = nx.find_cycle(graph, net)
                parts = [graph.edges[edge]["part"] for edge in loop]
                raise CircuitError(f"these parts form a loop: {', '.join(parts)}", parts)
            above[other] = (net, part)
            queue.append(other)
    return above


def _loads(machine: Machine) -> list[tuple[Part, tuple[str, str]]]:
    """Everything that lies between the two trees: part and its two nets."""
    found = []
    for part in machine.parts.values():
        if part.kind in LOADS:
            found.append((part, main_nets(part)))
        coil = coil_nets(part)
        if coil is not None:
            found.append((part, coil))
    return found


def hung_loads(
    machine: Machine, supply: Collection[str], back: Collection[str]
) -> list[tuple[Part, str, str]]:
    """Every load with the net it is fed from and the net it returns to.

    Args:
        machine: the machine.
        supply: nets of the supply tree, the battery's plus post included.
        back: nets of the return tree, the minus post included.

    Raises:
        CircuitError: a load does not lie between the two.
    """
    found = []
    for part, (one, two) in _loads(machine):
        high, low = (one, two) if one in supply else (two, one)
        if high not in supply or low not in back:
            raise CircuitError(f"{part.id} does not lie between plus and minus", [part.id])
        found.append((part, high, low))
    return found


def make_sites(machine: Machine) -> SiteTree:
    """The site tree of a machine.

    Raises:
        CircuitError: the wiring has a loop, joins plus to minus, or leaves a load hanging.
    """
    battery = next(part for part in machine.parts.values() if part.kind == "battery")
    plus, minus = battery.terminals["plus"], battery.terminals["minus"]
    graph = conducting_graph(machine)
    supply, back = net_tree(graph, plus), net_tree(graph, minus)
    if minus in supply:
        raise CircuitError("the battery's plus and minus are joined without a load", [battery.id])
    serves: dict[str, list[str]] = defaultdict(list)
    behind: dict[str, list[tuple[Part, str]]] = defaultdict(list)
    for part, high, low in hung_loads(machine, {plus, *supply}, {minus, *back}):
        behind[high].append((part, low))
        net = low
        while net in back:
            serves[back[net][1]].append(high)
            net = back[net][0]
    return _Builder(machine, plus, supply, back, serves, behind).build(battery)


class _Builder:
    """Lays the sites out, parents first."""

    def __init__(
        self,
        machine: Machine,
        plus: str,
        supply: dict[str, tuple[str, str]],
        back: dict[str, tuple[str, str]],
        serves: dict[str, list[str]],
        behind: dict[str, list[tuple[Part, str]]],
    ) -> None:
        self.machine = machine
        self.plus = plus
        self.supply = supply
        self.back = back
        self.serves = serves
        self.behind = behind
        self.sites: list[Site] = []
        self.site_of_part: dict[str, int] = {}
        self.site_of_net: dict[str, int] = {}

    def build(self, battery: Part) -> SiteTree:
        root = self._add(battery.id, -1, battery.id, self.plus)
        shared = self._shared_returns()
        bases = {self.plus: self._returns(root, shared[self.plus])}
        charging = self._charging()
        for net, (towards, part_id) in self.supply.items():
            base = root if net in charging and towards not in charging else bases[towards]
            site = self._add_path(part_id, base, net)
            bases[net] = self._returns(site, shared[net])
        for net, base in bases.items():
            for part, low in self.behind[net]:
                self._load(base, part, low)
        return SiteTree(tuple(self.sites), self.site_of_part, self.site_of_net)

    def _add(self, name: str, parent: int, part: str | None, net: str | None) -> int:
        self.sites.append(Site(name, parent, part, net))
        here = len(self.sites) - 1
        if part is not None:
            self.site_of_part[part] = here
        if net is not None:
            self.site_of_net[net] = here
        return here

    def _charging(self) -> set[str]:
        """Supply nets that lead to generators only.

        They hang on the battery itself: what does not charge is what lets a battery go flat.
        """
        serves: dict[str, set[str]] = defaultdict(set)
        for high, loads in self.behind.items():
            net = high
            while net != self.plus:
                serves[net] |= {part.kind for part, _ in loads}
                net = self.supply[net][0]
        return {net for net, kinds in serves.items() if kinds == {"generator"}}

    def _add_path(self, part_id: str, parent: int, net: str | None) -> int:
        """A part's main path; contacts worked by volts belong where their coil hangs."""
        if coil_nets(self.machine.parts[part_id]) is None:
            return self._add(part_id, parent, part_id, net)
        return self._add(f"{part_id}_contacts", parent, None, net)

    def _shared_returns(self) -> dict[str, list[tuple[str, str]]]:
        """Supply net -> (return part, its outer net), for parts that serve several loads."""
        found: dict[str, list[tuple[str, str]]] = defaultdict(list)
        for net, (_, part) in self.back.items():
            if len(self.serves[part]) != 1:
                way = self._common_way(self.serves[part])
                free = next((n for n in way if n != self.plus and not found[n]), way[-1])
                found[free].append((part, net))
        return found

    def _common_way(self, nets: list[str]) -> list[str]:
        """The supply nets from the battery to where the ways to these nets part.

        A return part may sit at any of them. It takes the first that is free, so that plus and
        minus post end up beside each other, then the cables: what fails together stays close.
        """
        paths = []
        for start in nets:
            path = [start]
            while path[-1] != self.plus:
                path.append(self.supply[path[-1]][0])
            paths.append(path[::-1])
        common = [self.plus]
        for level in zip(*paths, strict=False):
            if len(set(level)) > 1:
                break
            if level[0] != self.plus:
                common.append(level[0])
        return common

    def _returns(self, base: int, parts: list[tuple[str, str]]) -> int:
        for part, net in parts:
            base = self._add_path(part, base, net)
        return base

    def _load(self, base: int, part: Part, low: str) -> None:
        """The load, then the return parts that serve it alone, outwards in."""
        private = []
        net = low
        while net in self.back and len(self.serves[self.back[net][1]]) == 1:
            private.append((self.back[net][1], self.back[net][0], net))
            net = self.back[net][0]
        site = self._add(part.id, base, part.id, low if private else None)
        for i, (one, _, _) in enumerate(private):
            net_behind = private[i][1] if i + 1 < len(private) else None
            site = self._add_path(one, site, net_behind)
