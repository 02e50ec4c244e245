"""The wiring as runs for a picture: parts in one line without a branch, and what follows them.

The supply tree hangs on the battery's plus post. A load is followed by the return parts that serve
it alone, and then ends at a net. The returns that several loads share hang on the minus post.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from diagnose.circuit.netlist import coil_nets, main_nets, reference_net
from diagnose.circuit.wiring import LOADS, conducting_graph, make_sites, net_tree

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.circuit.wiring import SiteTree
    from diagnose.machine.model import Machine

CONTACTS = "_contacts"
"""What the wiring tree adds to a part's name for a contact that is worked from elsewhere."""


@dataclass(frozen=True, slots=True)
class Item:
    """A part in a run; `contacts` where only its contacts lie here and its coil elsewhere."""

    part: str
    contacts: bool = False


@dataclass(slots=True)
class Run:
    """Parts in one line.

    Attributes:
        items: the parts, outwards from the battery.
        children: the runs that go on from its end.
        ends_at: net at its far end, where that wants a sign: ground, or nothing more drawn.
        grounded: whether it comes to ground there.
    """

    items: list[Item] = field(default_factory=list)
    children: list[Run] = field(default_factory=list)
    ends_at: str | None = None
    grounded: bool = True


def make_runs(machine: Machine) -> tuple[Run, Run | None]:
    """The runs of the plus side, battery first, and those of the shared returns.

    Returns:
        The plus side, and the minus side; None where every load goes to the minus post itself.

    Raises:
        CircuitError: the wiring has a loop or leaves a load hanging.
    """
    return _Builder(machine).build()


class _Builder:
    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.tree: SiteTree = make_sites(machine)
        self.minus = reference_net(machine)
        self.back: Mapping[str, tuple[str, str]] = net_tree(conducting_graph(machine), self.minus)
        self.returns = {part for _, part in self.back.values()}
        self.below: list[list[int]] = [[] for _ in self.tree.sites]
        for i, site in enumerate(self.tree.sites):
            if site.parent >= 0:
                self.below[site.parent].append(i)
        self.shared: set[str] = set()

    def build(self) -> tuple[Run, Run | None]:
        plus = self._supply(0, loaded=False)
        below = self._return_children(self.minus)
        if not below:
            return plus, None
        return plus, below[0] if len(below) == 1 else Run(children=below)

    def _item(self, site: int) -> Item:
        one = self.tree.sites[site]
        return Item(one.part) if one.part else Item(one.name.removesuffix(CONTACTS), contacts=True)

    def _next(self, site: int, loaded: bool) -> list[int]:
        """The sites that follow in the picture; shared returns are skipped and noted."""
        found = []
        for child in self.below[site]:
            item = self._item(child)
            if not loaded and item.part in self.returns and not self._is_coil(item):
                self.shared.add(item.part)
                found += self._next(child, loaded)
            else:
                found.append(child)
        return found

    def _is_coil(self, item: Item) -> bool:
        return not item.contacts and coil_nets(self.machine.parts[item.part]) is not None

    def _supply(self, site: int, loaded: bool) -> Run:
        run = Run()
        load: Item | None = None
        while True:
            item = self._item(site)
            run.items.append(item)
            if self.machine.parts[item.part].kind in LOADS or self._is_coil(item):
                load, loaded = item, True
            following = self._next(site, loaded)
            if len(following) != 1:
                break
            site = following[0]
        run.children = [self._supply(child, loaded) for child in following]
        if load is not None:
            run.ends_at = self._end(load, {item.part for item in run.items})
        elif not run.children:
            run.ends_at, run.grounded = self.tree.sites[site].net, False
        return run

    def _end(self, load: Item, own: set[str]) -> str:
        """The net where a load, with the returns of its own, comes to ground."""
        part = self.machine.parts[load.part]
        ends = coil_nets(part) or main_nets(part)
        net = ends[1] if ends[1] == self.minus or ends[1] in self.back else ends[0]
        while net in self.back and self.back[net][1] in own:
            net = self.back[net][0]
        return net

    def _return_children(self, net: str) -> list[Run]:
        found = []
        for outer, (towards, part) in self.back.items():
            if towards == net and part in self.shared:
                found.append(self._return(part, outer))
        return found

    def _return(self, part: str, outer: str) -> Run:
        worked = coil_nets(self.machine.parts[part]) is not None
        items = [Item(part, contacts=worked)]
        below = self._return_children(outer)
        if len(below) == 1 and not self._ends_here(outer):
            return Run(items + below[0].items, below[0].children, below[0].ends_at)
        return Run(items, below, outer)

    def _ends_here(self, net: str) -> bool:
        """Whether a load or a return of its own comes to ground at this net."""
        touching = [
            part.id for part in self.machine.parts.values() if net in part.terminals.values()
        ]
        return any(one not in self.shared for one in touching)
