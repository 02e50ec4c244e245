"""The wiring as runs for a picture: parts in one line without a branch, and what follows them.

The supply tree hangs on the battery's plus post. A load is followed by the return parts that serve
it alone, and then ends at a net. The returns that several loads share hang on the minus post. A
kill line has a source of its own, a magneto: it stands apart, from the magneto to the contacts
that ground it.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import takewhile
from typing import TYPE_CHECKING

from diagnose.circuit.wiring import make_trees
from diagnose.machine.ends import MECHANICAL, coil_nets

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Machine, Part


@dataclass(frozen=True, slots=True)
class Item:
    """A part in a run.

    Attributes:
        part: its id.
        far: net at its far end.
        contacts: whether only its contacts lie here and its coil elsewhere.
        gap: whether it is insulation that should never conduct.
    """

    part: str
    far: str = ""
    contacts: bool = False
    gap: bool = False


@dataclass(slots=True)
class Run:
    """Parts in one line.

    Attributes:
        items, children: the parts, outwards from the source; the runs that go on from its end.
        starts_at: net at its near end.
        ends_at: net at its far end, where that wants a sign: ground, or nothing more drawn.
        grounded: whether that sign is a ground sign.
        kills: whether it begins a kill line.
    """

    items: list[Item] = field(default_factory=list)
    children: list[Run] = field(default_factory=list)
    starts_at: str = ""
    ends_at: str | None = None
    grounded: bool = True
    kills: bool = False


@dataclass(frozen=True, slots=True)
class Runs:
    """All runs of a machine.

    Attributes:
        plus: the plus side, battery first.
        minus: the shared returns that hang on the minus post.
        kill: the kill lines, magneto first.
        across: what closes a loop, joins both sides or lies elsewhere, each from net to net.
        mechanical: parts that belong to no circuit.
    """

    plus: Run
    minus: list[Run]
    kill: list[Run]
    across: list[Run]
    mechanical: list[Item]


def make_runs(machine: Machine) -> Runs:
    """The runs of a machine.

    Raises:
        CircuitError: there is no source, plus and minus are joined, or something hangs loose.
    """
    builder = _Builder(machine)
    trees = builder.trees
    plus = Run([Item(trees.source.id, trees.supply.root)], starts_at=trees.back.root)
    builder.go_on(plus, trees.supply.root, None)
    kill = [builder.kill_line(magneto, high, low) for magneto, high, low in builder.magnetos]
    loose = [Item(part.id) for part in machine.parts.values() if part.kind == MECHANICAL]
    across = [
        Run([item], starts_at=near, ends_at=item.far, grounded=False)
        for item, near in (
            *((builder.item(part, far), near) for part, near, far in trees.across),
            *((Item(part, far), near) for part, near, far in trees.odd_loads),
        )
    ]
    return Runs(plus, builder.returns(trees.back.root), kill, across, loose)


class _Builder:
    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self.trees = make_trees(machine)
        served, back = self.trees.served, self.trees.back
        idle = [net for net, (_, part) in back.above.items() if not served[part]]
        self.shared = {part for net in idle for _, part in back.way(net)}
        self.shared |= {part for part, feeds in served.items() if len(feeds) > 1}
        self.beside: Mapping[str, list[tuple[str, str]]] = defaultdict(list)
        for outer, (near, part) in self.trees.supply.above.items():
            self.beside[outer].append((part, near))
            self.beside[near].append((part, outer))
        self.gaps: set[str] = set()
        self.magnetos = list(self._find_magnetos())

    def _find_magnetos(self) -> list[tuple[str, str, str]]:
        """Generators that nothing but insulation joins to the battery: id, plus net, minus net.

        A switch that no position of the controls closes is insulation.
        """
        closed = {s for c in self.machine.conditions.values() for s in c.closes}
        found = []
        for part, high, low in self.trees.loads:
            if part.kind == "generator":
                way = [step for _, step in self.trees.supply.way(high)]
                parts = [self.machine.parts[step] for step in way]
                gaps = [p.id for p in parts if _insulates(p) and p.id not in closed]
                self.gaps |= set(gaps)
                found += [(part.id, high, low)] if gaps else []
        return found

    def go_on(self, run: Run, net: str, came: str | None) -> None:
        """Add what hangs on a net: in line where it is one thing, as children otherwise.

        Args:
            run: what it is added to.
            net: where.
            came: the part that leads there, or the source.
        """
        drawn = {magneto for magneto, _, _ in self.magnetos}
        parts = [(p, far) for p, far in self.beside[net] if p != came and self._from_here(p, net)]
        loads = [
            (p.id, low) for p, high, low in self.trees.loads if high == net and p.id not in drawn
        ]
        if not parts and not loads:
            run.ends_at, run.grounded = net, False
            return
        rest = [run]
        if len(parts) + len(loads) > 1:
            count = len(parts) + len(loads)
            rest = run.children = [Run(starts_at=net) for _ in range(count)]
        for child, (part, far) in zip(rest, parts, strict=False):
            child.items.append(self.item(part, far))
            if part in self.gaps:
                child.ends_at, child.grounded = far, False
            else:
                self.go_on(child, far, part)
        for child, (part, low) in zip(rest[len(parts) :], loads, strict=True):
            self._load(child, part, low)

    def _from_here(self, part: str, net: str) -> bool:
        """Whether a part is drawn from this side; insulation is drawn from the battery's."""
        return part not in self.gaps or any(
            near == net and step == part for near, step in self.trees.supply.above.values()
        )

    def kill_line(self, magneto: str, high: str, low: str) -> Run:
        """The line that stops an engine by grounding its magneto."""
        run = Run([Item(magneto, high)], starts_at=low, kills=True)
        self.go_on(run, high, None)
        return run

    def item(self, part: str, far: str) -> Item:
        """A conducting part; relays and controllers conduct with their contacts only."""
        coil = coil_nets(self.machine.parts[part])
        return Item(part, far, contacts=coil is not None, gap=part in self.gaps)

    def _load(self, run: Run, part: str, net: str) -> None:
        """A load and the return parts that serve nothing else."""
        run.items.append(Item(part, net))
        own = takewhile(lambda step: step[1] not in self.shared, self.trees.back.way(net))
        for outer, back in own:
            net = self.trees.back.above[outer][0]
            run.items.append(self.item(back, net))
        run.ends_at = net

    def returns(self, net: str) -> list[Run]:
        """The shared returns that come together at a net."""
        return [
            self._return(part, outer, net)
            for outer, (near, part) in self.trees.back.above.items()
            if near == net and part in self.shared
        ]

    def _return(self, part: str, outer: str, near: str) -> Run:
        below, item = self.returns(outer), self.item(part, outer)
        if len(below) == 1 and not self._ends_here(outer):
            return Run([item, *below[0].items], below[0].children, near, below[0].ends_at)
        return Run([item], below, near, outer)

    def _ends_here(self, net: str) -> bool:
        """Whether a load, or a return that serves it alone, comes to ground at this net."""
        steps = self.trees.back.above.values()
        lone = any(near == net and part not in self.shared for near, part in steps)
        return lone or any(low == net for _, _, low in self.trees.loads)


def _insulates(part: Part) -> bool:
    return part.kind == "switch" and not part.normally_closed
