"""What the wiring as a whole must obey: radial, no dead ends, loads between, fuses big enough."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from diagnose.machine.dictionary import part_values
from diagnose.machine.ends import MECHANICAL, coil_nets, conductors, draws, main_nets

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.errors import Problem
    from diagnose.machine.entries import AnyPart
    from diagnose.machine.schema import MachineFile
    from diagnose.machine.subject import Subject


def check_wiring(subject: Subject) -> Iterator[Problem]:
    """Problems of the circuit; silent when a part or net could not be read at all."""
    for part, entry in subject.file.parts.items():
        for ends in () if entry.kind == MECHANICAL else (main_nets(entry), coil_nets(entry)):
            if ends is not None and ends[0] == ends[1]:
                message = f"both ends are on the net {ends[0]!r}; expected two nets"
                yield subject.problem(("parts", part), message, "same_net", key=True)
    if not subject.whole:
        return
    yield from _nets(subject)
    yield from _loops(subject)
    batteries = [name for name, part in subject.file.parts.items() if part.kind == "battery"]
    if len(batteries) != 1:
        message = f"met {len(batteries)} parts of kind battery; expected exactly one"
        yield subject.problem(("parts",), message, "battery_count", key=True)
        return
    posts = main_nets(subject.file.parts[batteries[0]])
    for part, entry in subject.file.parts.items():
        if entry.kind == "charge" and not set(main_nets(entry)) & set(posts):
            message = f"does not touch the battery; expected one of its nets {', '.join(posts)}"
            yield subject.problem(("parts", part), message, "charge_place", key=True)
    yield from _trees(subject, batteries[0], posts)
    yield from _fuses(subject, posts)


def _nets(subject: Subject) -> Iterator[Problem]:
    touched: Counter[str] = Counter()
    owner: dict[str, tuple[str, str]] = {}
    for part, entry in subject.file.parts.items():
        for role, net in entry.terminals.items():
            touched[net] += 1
            owner[net] = (part, role)
        if entry.kind == "controller":
            touched.update({net for given in entry.inputs for net in (given.net, given.against)})
    for net, (part, role) in owner.items():
        if touched[net] == 1:
            message = f"the net {net!r} is a dead end: only this terminal touches it"
            yield subject.problem(("parts", part, role), message, "dead_end_net")
    for net in subject.file.nets:
        if net not in owner:
            yield subject.problem(("nets", net), "no part touches this net", "unused_net", key=True)


def _loops(subject: Subject) -> Iterator[Problem]:
    import networkx as nx  # noqa: PLC0415  slow to import

    graph = nx.Graph()
    for part, (first, second) in conductors(subject.file.parts).items():
        if first == second:
            continue
        if first in graph and second in graph and nx.has_path(graph, first, second):
            nets = nx.shortest_path(graph, first, second)
            steps = pairwise(nets)
            loop = [part, *(graph.edges[step]["part"] for step in steps)]
            message = f"a loop of {', '.join(loop)}; expected wiring without loops"
            yield subject.problem(("parts", part), message, "wiring_loop", key=True)
        else:
            graph.add_edge(first, second, part=part)


def _trees(subject: Subject, battery: str, posts: tuple[str, str]) -> Iterator[Problem]:
    wired = fed_by(conductors(subject.file.parts), posts)
    plus, minus = wired.plus, wired.minus
    if posts[1] in plus:
        message = "the plus and the minus post are joined by wiring alone, without a load"
        yield subject.problem(("parts", battery), message, "plus_minus_joined", key=True)
        return
    for part, (first, _) in wired.conducting.items():
        if first not in plus and first not in minus:
            message = "hangs on neither the battery's plus nor its minus"
            yield subject.problem(("parts", part), message, "floating_part", key=True)
    for part, (from_net, to_net) in draws(subject.file.parts):
        if from_net not in plus or to_net not in minus:
            here, there = (
                "plus" if net in plus else "minus" if net in minus else "neither"
                for net in (from_net, to_net)
            )
            message = (
                f"lies between the {here} side ({from_net!r}) and the {there} side "
                f"({to_net!r}); expected plus and minus"
            )
            yield subject.problem(("parts", part), message, "load_not_between", key=True)


def _fuses(subject: Subject, posts: tuple[str, str]) -> Iterator[Problem]:
    file = subject.file
    amps = nominal_amps(file)
    drawing = {part: ends for part, ends in draws(file.parts) if part in amps}
    feeds = {condition: fed(file, condition, posts) for condition in file.conditions}
    for fuse, entry in file.parts.items():
        if entry.kind != "fuse" or not feeds:
            continue
        behind: dict[str, list[str]] = {}
        for condition, now in feeds.items():
            left = {part: ends for part, ends in now.conducting.items() if part != fuse}
            without = fed_by(left, posts)
            behind[condition] = [
                part for part, e in drawing.items() if now.feeds(e) and not without.feeds(e)
            ]
        carried = {name: sum(amps[part] for part in parts) for name, parts in behind.items()}
        condition = max(carried, key=carried.__getitem__)
        most = carried[condition]
        if most > entry.amps * (1.0 + 1e-9):
            shown = ", ".join(f"{part} {amps[part]:.3g} A" for part in behind[condition])
            message = (
                f"rated {entry.amps:g} A but carries {most:.3g} A in {condition!r} ({shown}); "
                f"expected at least {most:.3g} A"
            )
            yield subject.problem(("parts", fuse, "amps"), message, "fuse_too_small")


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


def fed_by(conducting: Mapping[str, tuple[str, str]], posts: tuple[str, str]) -> Fed:
    """What these parts join to the battery's plus and minus."""
    import networkx as nx  # noqa: PLC0415  slow to import

    graph = nx.Graph(conducting.values())
    graph.add_nodes_from(posts)
    plus, minus = (frozenset(nx.node_connected_component(graph, post)) for post in posts)
    return Fed(conducting, plus, minus)


def fed(file: MachineFile, condition: str, posts: tuple[str, str], without: str = "") -> Fed:
    """What is fed in a condition when all parts are good, by joints alone, not by volts.

    Relay contacts and controller outputs follow from what is fed; a few rounds settle them.
    The posts are the nets of the battery's plus and minus; `without` is a part taken out.
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
