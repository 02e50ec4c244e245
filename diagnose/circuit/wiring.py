"""The wiring as two trees of nets, and as one tree of sites from the battery outwards.

Most of it is radial: a supply tree spreads from the battery's plus post, a return tree gathers to
its minus post, loads lie between. What closes a loop (a second ground, contacts side by side), or
joins both sides by contacts, lies *across*: it belongs to no tree.

Both are folded into one tree. Its sites follow the supply
tree; a part on the return side belongs where the loads it serves branch off: a ground wire of one
load hangs behind that load, the ground strap of everything sits in the trunk beside the plus
cable. Every part has exactly one site, and whatever passes between a site's subtree and the rest
of the circuit passes through that site.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import takewhile
from typing import TYPE_CHECKING, TypeVar

from diagnose.circuit.netlist import the_source
from diagnose.errors import CircuitError
from diagnose.machine.ends import MADE, MECHANICAL, coil_nets, conductors, draws, main_nets

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from diagnose.machine.model import Machine, Part

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Tree:
    """Nets that conducting parts (wires, joints, fuses, contacts) join to a post of the battery.

    Attributes:
        root: net of the post.
        above: net -> (net towards the post, part between), in the order met.
    """

    root: str
    above: Mapping[str, tuple[str, str]]

    def __contains__(self, net: str) -> bool:
        return net == self.root or net in self.above

    def way(self, net: str) -> Iterator[tuple[str, str]]:
        """(net, part behind it) from a net to the post, whose own net is left out."""
        while net in self.above:
            towards, part = self.above[net]
            yield net, part
            net = towards


@dataclass(frozen=True, slots=True)
class Trees:
    """Both trees of a machine.

    Attributes:
        source: the battery, or what stands for it.
        supply, back: the trees of its plus and its minus post.
        loads: loads, generators, coils, further batteries and controllers' own draw: part, net it
            is fed from, net it returns to.
        served: part of the return tree -> for each load behind it, the net that feeds it.
        across: conductors that belong to neither tree: part, and its two nets.
        odd_loads: loads and coils that do not lie between plus and minus, likewise: a motor that
            contacts turn either way.
    """

    source: Part
    supply: Tree
    back: Tree
    loads: tuple[tuple[Part, str, str], ...]
    served: Mapping[str, list[str]]
    across: tuple[tuple[str, str, str], ...]
    odd_loads: tuple[tuple[str, str, str], ...]


def make_trees(machine: Machine) -> Trees:
    """The trees of a machine's wiring.

    Raises:
        CircuitError: there is neither battery nor generator, plus and minus are joined without
            contacts between, or something hangs loose.
    """
    source = the_source(machine)
    wiring = conductors(machine.parts)
    joined: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for part, ends in wiring.items():
        for near, far in (ends, ends[::-1]):
            joined[near].append((far, part))
    one_way = {part: ends for part, ends in wiring.items() if machine.parts[part].kind == "diode"}
    supply, back = _grown(joined, main_nets(source), one_way)
    across = tuple(_left_over(machine, wiring, supply, back))
    loads, odd = [], []
    for part, ends in draws(machine.parts):
        high, low = ends[::-1] if ends[1] in supply and ends[0] in back else ends
        if not all(net in supply or net in back for net in ends):
            raise CircuitError(f"{part} does not lie between plus and minus", [part])
        if high in supply and low in back:
            loads.append((machine.parts[part], high, low))
        else:
            odd.append((part, high, low))
    served: dict[str, list[str]] = {part: [] for _, part in back.above.values()}
    for _, high, low in loads:
        for _, part in back.way(low):
            served[part].append(high)
    return Trees(source, supply, back, tuple(loads), served, across, tuple(odd))


def _grown(
    joined: Mapping[str, list[tuple[str, str]]],
    posts: tuple[str, str],
    one_way: Mapping[str, tuple[str, str]],
) -> tuple[Tree, Tree]:
    """Both trees, grown side by side: a net belongs to the post that it is fewer parts from.

    Args:
        joined: net -> nets beside it, each with the part between.
        posts: where they begin.
        one_way: diodes with their nets; a tree follows them only as current does.
    """
    above: tuple[dict[str, tuple[str, str]], ...] = ({}, {})
    taken = set(posts)
    for blocked in (one_way, {}):  # then what only a diode against its way leads to
        edges = [[post, *nets] for post, nets in zip(posts, above, strict=True)]
        while any(edges):
            for side in (0, 1):
                further = []
                for net in edges[side]:
                    for other, part in joined.get(net, ()):
                        against = part in blocked and blocked[part][side] != net
                        if other not in taken and not against:
                            taken.add(other)
                            above[side][other] = (net, part)
                            further.append(other)
                edges[side] = further
    return Tree(posts[0], above[0]), Tree(posts[1], above[1])


def _left_over(
    machine: Machine, wiring: Mapping[str, tuple[str, str]], supply: Tree, back: Tree
) -> Iterator[tuple[str, str, str]]:
    """Conductors that belong to neither tree, with their nets."""
    taken = {part for tree in (supply, back) for _, part in tree.above.values()}
    for part, (near, far) in wiring.items():
        if part in taken:
            continue
        if near not in supply and near not in back:
            raise CircuitError(f"{part} hangs on neither plus nor minus", [part])
        if (near in supply) != (far in supply) and not _parted(machine, supply, back, part):
            raise CircuitError("the battery's plus and minus are joined without a load", [part])
        yield part, near, far


def _parted(machine: Machine, supply: Tree, back: Tree, part: str) -> bool:
    """Whether contacts lie on the way from plus to minus through a part."""
    ends = main_nets(machine.parts[part])
    high, low = ends if ends[0] in supply else ends[::-1]
    way = [part, *(step for _, step in supply.way(high)), *(step for _, step in back.way(low))]
    return any(machine.parts[step].kind in MADE for step in way)


@dataclass(frozen=True, slots=True)
class Site:
    """A place in the tree, with at most one part on the way to it from its parent.

    Attributes:
        parent: index of the parent site, -1 for the root (the battery).
        part: id of the part, None where a wire merely branches.
    """

    name: str
    parent: int
    part: str | None


@dataclass(frozen=True, slots=True)
class SiteTree:
    """Sites in an order where parents come first.

    Attributes:
        sites: the sites; site 0 holds the battery, or what stands for it.
        site_of_part: part id -> site.
        site_of_net: net -> site where a probe on that net belongs.
    """

    sites: list[Site]
    site_of_part: dict[str, int]
    site_of_net: dict[str, int]

    def path(self, site: int) -> list[int]:
        """Sites from the root down to this one, both included."""
        path = [site]
        while self.sites[path[-1]].parent >= 0:
            path.append(self.sites[path[-1]].parent)
        return path[::-1]

    def common(self, sites: Iterable[int]) -> int:
        """The deepest site that has all of these in its subtree; the root when none is given."""
        shared = _shared_start([self.path(site) for site in sites])
        return shared[-1] if shared else 0


def _shared_start(paths: list[list[T]]) -> list[T]:
    """What all the paths have in common from their start on."""
    levels = takewhile(lambda level: len(set(level)) == 1, zip(*paths, strict=False))
    return [level[0] for level in levels]


def make_sites(machine: Machine) -> SiteTree:
    """The site tree of a machine.

    Raises:
        CircuitError: the wiring joins plus to minus, or leaves something hanging.
    """
    return _Builder(machine).build()


class _Builder:
    """Lays the sites out, parents first."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.trees = make_trees(machine)
        self.tree = SiteTree([], {}, {})

    def build(self) -> SiteTree:
        plus, source = self.trees.supply.root, self.trees.source.id
        root = self._add(source, -1, source, plus)
        shared = self._shared_returns()
        bases = {plus: self._returns(root, shared[plus])}
        charging = self._charging()
        for net, (towards, part) in self.trees.supply.above.items():
            base = root if net in charging and towards not in charging else bases[towards]
            bases[net] = self._returns(self._add_path(part, base, net), shared[net])
        for net, base in bases.items():
            for load, high, low in self.trees.loads:
                if high == net:
                    self._load(base, load.id, low)
        for across, near, _ in (*self.trees.across, *self.trees.odd_loads):
            self._add(across, self.tree.site_of_net.get(near, root), across, None)
        for each in self.machine.parts.values():
            if each.kind == MECHANICAL:
                self._add(each.id, root, each.id, None)
        return self.tree

    def _add(self, name: str, parent: int, part: str | None, net: str | None) -> int:
        here = len(self.tree.sites)
        self.tree.sites.append(Site(name, parent, part))
        if part is not None:
            self.tree.site_of_part[part] = here
        if net is not None:
            self.tree.site_of_net[net] = here
        return here

    def _charging(self) -> set[str]:
        """Supply nets that lead to generators only.

        They hang on the battery itself: what does not charge is what lets a battery go flat.
        """
        kinds: dict[str, set[str]] = defaultdict(set)
        for load, high, _ in self.trees.loads:
            for net, _ in self.trees.supply.way(high):
                kinds[net].add(load.kind)
        return {net for net, fed in kinds.items() if fed == {"generator"}}

    def _add_path(self, part: str, parent: int, net: str | None) -> int:
        """A part's main path; contacts worked by volts belong where their coil hangs."""
        if coil_nets(self.machine.parts[part]) is None:
            return self._add(part, parent, part, net)
        return self._add(f"{part}_contacts", parent, None, net)

    def _shared_returns(self) -> dict[str, list[tuple[str, str]]]:
        """Supply net -> (return part, its outer net), for parts that do not serve one load alone.

        A return part may sit at any supply net from the battery to where the ways to its loads
        part. It takes the first that is free, so that plus and minus post end up beside each
        other, then the cables: what fails together stays close.
        """
        placed: dict[str, list[tuple[str, str]]] = defaultdict(list)
        supply = self.trees.supply
        for net, (_, part) in self.trees.back.above.items():
            fed = self.trees.served[part]
            if len(fed) != 1:
                way = _shared_start([[n for n, _ in supply.way(high)][::-1] for high in fed])
                last = way[-1] if way else supply.root
                placed[next((n for n in way if not placed[n]), last)].append((part, net))
        return placed

    def _returns(self, base: int, parts: list[tuple[str, str]]) -> int:
        for part, net in parts:
            base = self._add_path(part, base, net)
        return base

    def _load(self, base: int, load: str, low: str) -> None:
        """The load, then the return parts that serve it alone, outwards in."""
        back, served = self.trees.back, self.trees.served
        private = list(takewhile(lambda step: len(served[step[1]]) == 1, back.way(low)))
        nets = [*(net for net, _ in private), None]
        site = self._add(load, base, load, nets[0])
        for (_, part), behind in zip(private, nets[1:], strict=True):
            site = self._add_path(part, site, behind)
