"""The wiring of a machine file as graphs over nets: what conducts, what draws, what is fed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.machine.build_parts import part_values
from diagnose.machine.dictionary import part_kinds
from diagnose.machine.ends import coil_nets, main_nets

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from diagnose.machine.part_entries import AnyPart
    from diagnose.machine.schema import MachineFile


@dataclass(frozen=True, slots=True)
class Draw:
    """A path that draws current when good: load, motor, coil or controller supply.

    Attributes:
        amps: at nominal volts; 0 when the file does not let it be told.
    """

    part: str
    from_net: str
    to_net: str
    amps: float


@dataclass(frozen=True, slots=True)
class Fed:
    """Nets joined to the battery's posts in one condition, with the parts that conduct."""

    conducting: frozenset[str]
    plus: frozenset[str]
    minus: frozenset[str]


def conductors(parts: Mapping[str, AnyPart]) -> dict[str, tuple[str, str]]:
    """Parts whose main path belongs to the wiring -> its two nets."""
    kinds = part_kinds()
    return {name: main_nets(part) for name, part in parts.items() if kinds[part.kind].conducts}


def draws(file: MachineFile) -> list[Draw]:
    """Everything that draws current, with its nominal current."""
    volts = file.machine.nominal_volts
    drawing: list[Draw] = []
    for name, entry in file.parts.items():
        coil = coil_nets(entry)
        if coil is None and entry.kind not in ("load", "motor"):
            continue
        ohms = part_values(entry, volts)["ohms" if coil is None else "coil_ohms"]
        drawing.append(Draw(name, *(coil or main_nets(entry)), volts / ohms if ohms else 0.0))
    return drawing


def reach(start: str, edges: Collection[tuple[str, str]]) -> frozenset[str]:
    """Nets joined to `start` by `edges`."""
    import networkx as nx  # noqa: PLC0415  slow to import

    graph = nx.Graph(edges)
    graph.add_node(start)
    return frozenset(nx.node_connected_component(graph, start))


def fed(file: MachineFile, condition: str, posts: tuple[str, str], without: str = "") -> Fed:
    """What is fed in a condition when all parts are good, by joints alone, not by volts.

    Relay contacts and controller outputs follow from what is fed; a few rounds settle them.

    Args:
        file: the machine.
        condition: condition id.
        posts: nets of the battery's plus and minus.
        without: a part taken out.
    """
    closes = set(file.conditions[condition].closes)
    edges = conductors(file.parts)
    edges.pop(without, None)
    worked: frozenset[str] = frozenset()
    for _ in range(len(file.parts) + 1):
        closed = {n for n in edges if _conducts(n, file.parts[n], closes, worked)}
        now = Fed(
            frozenset(closed),
            reach(posts[0], [edges[n] for n in closed]),
            reach(posts[1], [edges[n] for n in closed]),
        )
        again = frozenset(n for n, p in file.parts.items() if _is_worked(p, now, file))
        if again == worked:
            break
        worked = again
    return now


def _conducts(name: str, entry: AnyPart, closes: set[str], worked: frozenset[str]) -> bool:
    if entry.kind == "switch":
        return name in closes
    if entry.kind == "relay":
        return (name in worked) == (entry.contacts == "normally_open")
    return entry.kind != "controller" or name in worked


def _is_worked(entry: AnyPart, now: Fed, file: MachineFile) -> bool:
    coil = coil_nets(entry)
    if coil is None:
        return False
    for given in entry.inputs if entry.kind == "controller" else ():
        high, low = given.net in now.plus, given.against in now.plus
        between = file.machine.nominal_volts * (high - low)
        if given.at_least_volts is not None and between < given.at_least_volts:
            return False
        if given.below_volts is not None and between >= given.below_volts:
            return False
    return coil[0] in now.plus and coil[1] in now.minus
