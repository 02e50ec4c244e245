"""The wiring as two trees of nets with the loads between them.

Vehicle wiring is radial: a supply tree spreads from the battery's plus post, a return tree gathers
to its minus post, loads lie between.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.circuit.netlist import the_battery
from diagnose.errors import CircuitError
from diagnose.machine.ends import conductors, draws, main_nets

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.machine.model import Machine, Part


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
        battery: the battery.
        supply, back: the trees of its plus and its minus post.
        loads: loads, generators, coils and controllers' own draw: part, net it is fed from, net
            it returns to.
        served: part of the return tree -> for each load behind it, the net that feeds it.
    """

    battery: Part
    supply: Tree
    back: Tree
    loads: tuple[tuple[Part, str, str], ...]
    served: Mapping[str, list[str]]


def make_trees(machine: Machine) -> Trees:
    """The trees of a machine's wiring.

    Raises:
        CircuitError: there is not one battery, or the wiring has a loop, joins plus to minus, or
            leaves a load hanging.
    """
    battery = the_battery(machine)
    joined: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for part, ends in conductors(machine.parts).items():
        for near, far in (ends, ends[::-1]):
            joined[near].append((far, part))
    supply, back = (_tree(joined, net) for net in main_nets(battery))
    if back.root in supply:
        raise CircuitError("the battery's plus and minus are joined without a load", [battery.id])
    loads = tuple(
        _hung(machine.parts[part], ends, supply, back) for part, ends in draws(machine.parts)
    )
    served: dict[str, list[str]] = {part: [] for _, part in back.above.values()}
    for _, high, low in loads:
        for _, part in back.way(low):
            served[part].append(high)
    return Trees(battery, supply, back, loads, served)


def _tree(joined: Mapping[str, list[tuple[str, str]]], root: str) -> Tree:
    above: dict[str, tuple[str, str]] = {}
    tree = Tree(root, above)
    queue = [root]
    for net in queue:
        for other, part in joined.get(net, ()):
            if above.get(net, ("", ""))[1] == part:
                continue
            if other in tree:
                here, there = ([p for _, p in tree.way(end)] for end in (net, other))
                rest = [p for p in here if p not in there] + [p for p in there if p not in here]
                loop = [part, *rest]
                raise CircuitError(f"these parts form a loop: {', '.join(loop)}", loop)
            above[other] = (net, part)
            queue.append(other)
    return tree


def _hung(part: Part, ends: tuple[str, str], supply: Tree, back: Tree) -> tuple[Part, str, str]:
    high, low = ends if ends[0] in supply else ends[::-1]
    if high not in supply or low not in back:
        raise CircuitError(f"{part.id} does not lie between plus and minus", [part.id])
    return part, high, low
