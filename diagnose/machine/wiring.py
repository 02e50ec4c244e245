"""The wiring of a machine file as graphs over nets: what is fed in a condition, and draws what."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.machine.dictionary import part_values
from diagnose.machine.ends import coil_nets, conductors, draws

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from diagnose.machine.part_entries import AnyPart
    from diagnose.machine.schema import MachineFile


@dataclass(frozen=True, slots=True)
class Fed:
    """Nets joined to the battery's posts by parts that conduct (part -> its two nets)."""

    conducting: Mapping[str, tuple[str, str]]
    plus: frozenset[str]
    minus: frozenset[str]

    def feeds(self, ends: tuple[str, str]) -> bool:
        """Whether current gets to what lies between these nets, and back."""
        return ends[0] in self.plus and ends[1] in self.minus


def nominal_amps(file: MachineFile) -> dict[str, float]:
    """What each load, coil and controller draws at nominal volts; 0 when that cannot be told."""
    volts, amps = file.machine.nominal_volts, {}
    for part, _ in draws(file.parts):
        entry = file.parts[part]
        if entry.kind != "generator":
            ohms = part_values(entry, volts)["coil_ohms" if coil_nets(entry) else "ohms"]
            amps[part] = volts / ohms if ohms else 0.0
    return amps


def reach(start: str, edges: Collection[tuple[str, str]]) -> frozenset[str]:
    """Nets joined to `start` by `edges`."""
    import networkx as nx  # noqa: PLC0415  slow to import

    graph = nx.Graph(edges)
    graph.add_node(start)
    return frozenset(nx.node_connected_component(graph, start))


def fed_by(conducting: Mapping[str, tuple[str, str]], posts: tuple[str, str]) -> Fed:
    """What these parts join to the battery's plus and minus."""
    plus, minus = (reach(post, conducting.values()) for post in posts)
    return Fed(conducting, plus, minus)


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
        closed = {n: e for n, e in edges.items() if _conducts(n, file.parts[n], closes, worked)}
        now = fed_by(closed, posts)
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
