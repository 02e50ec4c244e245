"""The wiring as runs for a picture: parts in one line without a branch, and what follows them.

The supply tree hangs on the battery's plus post. A load is followed by the return parts that serve
it alone, and then ends at a net. The returns that several loads share hang on the minus post.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from diagnose.circuit.netlist import coil_nets, reference_net
from diagnose.circuit.wiring import conducting_graph, hung_loads, net_tree

if TYPE_CHECKING:
    from diagnose.machine.model import Machine


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


def make_runs(machine: Machine) -> tuple[Run, list[Run]]:
    """The runs of the plus side, battery first, and those of the shared returns.

    Returns:
        The plus side, and the runs that hang on the minus post.

    Raises:
        CircuitError: there is not one battery, the wiring has a loop, or a load hangs loose.
    """
    return _Builder(machine).build()


class _Builder:
    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.minus = reference_net(machine)
        self.battery = next(part for part in machine.parts.values() if part.kind == "battery")
        self.plus = self.battery.terminals["plus"]
        graph = conducting_graph(machine)
        self.supply = net_tree(graph, self.plus)
        self.back = net_tree(graph, self.minus)
        self.loads = hung_loads(machine, {self.plus, *self.supply}, {self.minus, *self.back})
        self.shared = self._shared()

    def build(self) -> tuple[Run, list[Run]]:
        plus = Run([Item(self.battery.id)])
        self._go_on(plus, self.plus)
        return plus, self._returns(self.minus)

    def _shared(self) -> set[str]:
        """Returns that serve more than one load, or that others which serve none hang on."""
        serves = Counter(part for _, _, low in self.loads for part in self._way_back(low))
        idle = [net for net, (_, part) in self.back.items() if not serves[part]]
        shared = {part for net in idle for part in self._way_back(net)}
        return shared | {part for part, number in serves.items() if number > 1}

    def _way_back(self, net: str) -> list[str]:
        """Return parts from a net to the minus post."""
        found = []
        while net in self.back:
            net, part = self.back[net]
            found.append(part)
        return found

    def _item(self, part: str) -> Item:
        """A conducting part; relays and controllers conduct with their contacts only."""
        return Item(part, contacts=coil_nets(self.machine.parts[part]) is not None)

    def _go_on(self, run: Run, net: str) -> None:
        """Add what hangs on a net: in line where it is one thing, as children otherwise."""
        parts = [(part, outer) for outer, (near, part) in self.supply.items() if near == net]
        loads = [(part.id, low) for part, high, low in self.loads if high == net]
        if not parts and not loads:
            run.ends_at, run.grounded = net, False
            return
        if len(parts) + len(loads) > 1:
            rest = [Run() for _ in range(len(parts) + len(loads))]
            run.children = rest
        else:
            rest = [run]
        for one, (part, outer) in zip(rest, parts, strict=False):
            one.items.append(self._item(part))
            self._go_on(one, outer)
        for one, (part, low) in zip(rest[len(parts) :], loads, strict=True):
            self._load(one, part, low)

    def _load(self, run: Run, part: str, net: str) -> None:
        """A load and the return parts that serve nothing else."""
        run.items.append(Item(part))
        while net in self.back and self.back[net][1] not in self.shared:
            net, back = self.back[net]
            run.items.append(self._item(back))
        run.ends_at = net

    def _returns(self, net: str) -> list[Run]:
        """The shared returns that come together at a net."""
        return [
            self._return(part, outer)
            for outer, (near, part) in self.back.items()
            if near == net and part in self.shared
        ]

    def _return(self, part: str, outer: str) -> Run:
        below = self._returns(outer)
        if len(below) == 1 and not self._ends_here(outer):
            return Run([self._item(part), *below[0].items], below[0].children, below[0].ends_at)
        return Run([self._item(part)], below, outer)

    def _ends_here(self, net: str) -> bool:
        """Whether a load, or a return that serves it alone, comes to ground at this net."""
        lone = any(near == net and part not in self.shared for near, part in self.back.values())
        return lone or any(low == net for _, _, low in self.loads)
