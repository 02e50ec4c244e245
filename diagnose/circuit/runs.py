"""The wiring as runs for a picture: parts in one line without a branch, and what follows them.

The supply tree hangs on the battery's plus post. A load is followed by the return parts that serve
it alone, and then ends at a net. The returns that several loads share hang on the minus post.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import takewhile
from typing import TYPE_CHECKING

from diagnose.circuit.wiring import make_trees
from diagnose.machine.ends import coil_nets

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
        items, children: the parts, outwards from the battery; the runs that go on from its end.
        ends_at: net at its far end, where that wants a sign: ground, or nothing more drawn.
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
    builder = _Builder(machine)
    trees = builder.trees
    plus = Run([Item(trees.battery.id)])
    builder.go_on(plus, trees.supply.root)
    return plus, builder.returns(trees.back.root)


class _Builder:
    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.trees = make_trees(machine)
        served, back = self.trees.served, self.trees.back
        idle = [net for net, (_, part) in back.above.items() if not served[part]]
        self.shared = {part for net in idle for _, part in back.way(net)}
        self.shared |= {part for part, feeds in served.items() if len(feeds) > 1}

    def go_on(self, run: Run, net: str) -> None:
        """Add what hangs on a net: in line where it is one thing, as children otherwise."""
        parts = [(p, outer) for outer, (near, p) in self.trees.supply.above.items() if near == net]
        loads = [(part.id, low) for part, high, low in self.trees.loads if high == net]
        if not parts and not loads:
            run.ends_at, run.grounded = net, False
            return
        rest = [run]
        if len(parts) + len(loads) > 1:
            rest = run.children = [Run() for _ in range(len(parts) + len(loads))]
        for child, (part, outer) in zip(rest, parts, strict=False):
            child.items.append(self._item(part))
            self.go_on(child, outer)
        for child, (part, low) in zip(rest[len(parts) :], loads, strict=True):
            self._load(child, part, low)

    def _item(self, part: str) -> Item:
        """A conducting part; relays and controllers conduct with their contacts only."""
        return Item(part, contacts=coil_nets(self.machine.parts[part]) is not None)

    def _load(self, run: Run, part: str, net: str) -> None:
        """A load and the return parts that serve nothing else."""
        run.items.append(Item(part))
        own = takewhile(lambda step: step[1] not in self.shared, self.trees.back.way(net))
        for outer, back in own:
            run.items.append(self._item(back))
            net = self.trees.back.above[outer][0]
        run.ends_at = net

    def returns(self, net: str) -> list[Run]:
        """The shared returns that come together at a net."""
        return [
            self._return(part, outer)
            for outer, (near, part) in self.trees.back.above.items()
            if near == net and part in self.shared
        ]

    def _return(self, part: str, outer: str) -> Run:
        below = self.returns(outer)
        if len(below) == 1 and not self._ends_here(outer):
            return Run([self._item(part), *below[0].items], below[0].children, below[0].ends_at)
        return Run([self._item(part)], below, outer)

    def _ends_here(self, net: str) -> bool:
        """Whether a load, or a return that serves it alone, comes to ground at this net."""
        steps = self.trees.back.above.values()
        lone = any(near == net and part not in self.shared for near, part in steps)
        return lone or any(low == net for _, _, low in self.trees.loads)
