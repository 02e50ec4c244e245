"""The wiring of a machine file as graphs over nets: what conducts, what draws, what is fed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.machine.build_parts import coil_ohms, main_ohms
from diagnose.machine.dictionary import part_kinds
from diagnose.machine.part_entries import (
    ControllerEntry,
    LoadEntry,
    MotorEntry,
    RelayEntry,
    SwitchEntry,
)

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


def main_path(entry: AnyPart) -> tuple[str, str]:
    """The two nets that a part's series resistance lies between, in the current's order."""
    ends = entry.terminals()
    if isinstance(entry, ControllerEntry) and entry.output_to == "ground":
        return ends["output"], ends["ground"]
    first, second = part_kinds()[entry.kind].main_path
    return ends[first], ends[second]


def conductors(parts: Mapping[str, AnyPart]) -> dict[str, tuple[str, str]]:
    """Parts whose main path belongs to the wiring -> its two nets."""
    kinds = part_kinds()
    return {name: main_path(p) for name, p in parts.items() if kinds[p.kind].conducts}


def draws(file: MachineFile) -> list[Draw]:
    """Everything that draws current, with its nominal current."""
    volts = float(file.machine.nominal_volts)
    found: list[Draw] = []
    for name, entry in file.parts.items():
        if isinstance(entry, LoadEntry | MotorEntry):
            ends, ohms = main_path(entry), main_ohms(entry, volts)
        elif isinstance(entry, RelayEntry):
            ends, ohms = (entry.coil_in, entry.coil_out), coil_ohms(entry)
        elif isinstance(entry, ControllerEntry):
            ends, ohms = (entry.supply, entry.ground), coil_ohms(entry)
        else:
            continue
        found.append(Draw(name, *ends, volts / ohms if ohms > 0 else 0.0))
    return found


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
    if isinstance(entry, SwitchEntry):
        return name in closes
    if isinstance(entry, RelayEntry):
        return (name in worked) == (entry.contacts == "normally_open")
    return not isinstance(entry, ControllerEntry) or name in worked


def _is_worked(entry: AnyPart, now: Fed, file: MachineFile) -> bool:
    if isinstance(entry, RelayEntry):
        return entry.coil_in in now.plus and entry.coil_out in now.minus
    if not isinstance(entry, ControllerEntry):
        return False
    volts = float(file.machine.nominal_volts)
    for one in entry.inputs:
        between = volts * ((one.net in now.plus) - (one.against in now.plus))
        if one.at_least_volts is not None and between < one.at_least_volts:
            return False
        if one.below_volts is not None and between >= one.below_volts:
            return False
    return entry.supply in now.plus and entry.ground in now.minus
