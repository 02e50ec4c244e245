"""What is fed in a condition when all is good, by joints alone, and what each fuse carries then."""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.machine.dictionary import part_values
from diagnose.machine.ends import coil_nets, conductors, draws

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from diagnose.machine.entries import AnyPart

    Parts = Mapping[str, AnyPart]

MOST_ROUNDS = 20
"""Relays that work relays that work relays: so many steps are followed."""


@dataclass(frozen=True, slots=True)
class Fed:
    """Nets joined to the battery's posts by parts that conduct (part -> its two nets)."""

    conducting: Mapping[str, tuple[str, str]]
    plus: frozenset[str]
    minus: frozenset[str]

    def feeds(self, ends: tuple[str, str]) -> bool:
        """Whether current gets to what lies between these nets, and back."""
        return ends[0] in self.plus and ends[1] in self.minus


def nominal_amps(parts: Parts, volts: float) -> dict[str, float]:
    """What each load, coil and controller draws at nominal volts; 0 when that cannot be told."""
    amps = {}
    for part, _ in draws(parts):
        entry = parts[part]
        if entry.kind != "generator":
            ohms = part_values(entry, volts)["coil_ohms" if coil_nets(entry) else "ohms"]
            amps[part] = volts / ohms if ohms else 0.0
    return amps


def fed_by(conducting: Mapping[str, tuple[str, str]], posts: tuple[str, str]) -> Fed:
    """What these parts join to the battery's plus and minus."""
    beside = neighbours(conducting)
    plus, minus = (frozenset(outward(beside, post)) for post in posts)
    return Fed(conducting, plus, minus)


def fed(
    parts: Parts, closes: Iterable[str], volts: float, posts: tuple[str, str], without: str = ""
) -> Fed:
    """What is fed when all parts are good.

    Relay contacts and controller outputs follow from what is fed; a few rounds settle them.

    Args:
        parts: all parts.
        closes: switches held closed.
        volts: nominal.
        posts: nets of the battery's plus and minus.
        without: a part taken out.
    """
    closed = set(closes)
    edges = conductors(parts)
    edges.pop(without, None)
    worked: frozenset[str] = frozenset()
    for _ in range(min(len(parts), MOST_ROUNDS) + 1):
        now = fed_by(
            {n: ends for n, ends in edges.items() if _conducts(n, parts[n], closed, worked)}, posts
        )
        again = frozenset(n for n, p in parts.items() if _is_worked(p, now, volts))
        if again == worked:
            break
        worked = again
    return now


def _conducts(name: str, entry: AnyPart, closes: set[str], worked: frozenset[str]) -> bool:
    if entry.kind == "switch":
        return name in closes
    if entry.kind in ("relay", "contacts"):
        worker = entry.relay if entry.kind == "contacts" else name
        return (worker in worked) == (entry.contacts == "normally_open")
    return entry.kind != "controller" or name in worked


def _is_worked(entry: AnyPart, now: Fed, volts: float) -> bool:
    coil = coil_nets(entry)
    if coil is None:
        return False
    for given in entry.inputs if entry.kind == "controller" else ():
        high, low = given.net in now.plus, given.against in now.plus
        between = volts * (high - low)
        if given.at_least_volts is not None and between < given.at_least_volts:
            return False
        if given.below_volts is not None and between >= given.below_volts:
            return False
    return coil[0] in now.plus and coil[1] in now.minus


def neighbours(
    conducting: Mapping[str, tuple[str, str]],
) -> dict[str, list[tuple[str, str]]]:
    """Net -> nets beside it, each with the part between."""
    beside: dict[str, list[tuple[str, str]]] = {}
    for part, (first, second) in conducting.items():
        beside.setdefault(first, []).append((second, part))
        beside.setdefault(second, []).append((first, part))
    return beside


def outward(
    beside: Mapping[str, Sequence[tuple[str, str]]], post: str
) -> dict[str, tuple[str, str] | None]:
    """Nets from a post outward -> the net before and the part between; None at the post."""
    reached: dict[str, tuple[str, str] | None] = {post: None}
    edge = [post]
    while edge:
        further = []
        for net in edge:
            for other, part in beside.get(net, ()):
                if other not in reached:
                    reached[other] = (net, part)
                    further.append(other)
        edge = further
    return reached


def most_carried(
    parts: Parts,
    amps: Mapping[str, float],
    feeds: Mapping[str, Fed],
    posts: tuple[str, str],
    *,
    radial: bool,
) -> dict[str, tuple[float, str]]:
    """Fuse -> the most amps it carries, and the condition in which it does.

    Args:
        parts: all parts.
        amps: part -> what it draws.
        feeds: condition -> what is fed in it.
        posts: nets of the battery's plus and minus.
        radial: whether no conductors form a loop.
    """
    drawing = {part: ends for part, ends in draws(parts) if part in amps}
    most: dict[str, tuple[float, str]] = {}
    for condition, now in feeds.items():
        carries = _carried(now, drawing, amps, posts)
        alone = None if radial else _not_in_loops(now.conducting)
        for part, carried in carries.items():
            if alone is not None and part not in alone:
                continue
            if parts[part].kind == "fuse" and carried > most.get(part, (-1.0, ""))[0]:
                most[part] = (carried, condition)
    return most


def _carried(
    now: Fed,
    drawing: Mapping[str, tuple[str, str]],
    amps: Mapping[str, float],
    posts: tuple[str, str],
) -> dict[str, float]:
    """Amps through every part; what is in a loop gets those of one way round.

    What is drawn at a net is handed on towards the post, the farthest nets first.
    """
    beside, carried = neighbours(now.conducting), defaultdict[str, float](float)
    alive = [(part, ends) for part, ends in drawing.items() if now.feeds(ends)]
    for side, post in enumerate(posts):
        at = defaultdict[str, float](float)
        for part, ends in alive:
            at[ends[side]] += amps[part]
        for net, before in reversed(outward(beside, post).items()):
            if before is not None:
                at[before[0]] += at[net]
                carried[before[1]] += at[net]
    return carried


def _not_in_loops(conducting: Mapping[str, tuple[str, str]]) -> set[str]:
    """Parts without which their two nets are no longer joined."""
    import networkx as nx  # noqa: PLC0415  slow to import

    beside = Counter(frozenset(ends) for ends in conducting.values())
    graph = nx.Graph()
    graph.add_edges_from(conducting.values())
    bridges = {frozenset(ends) for ends in nx.bridges(graph)}
    return {
        part
        for part, ends in conducting.items()
        if frozenset(ends) in bridges and beside[frozenset(ends)] == 1
    }


def behind(
    now: Fed, drawing: Iterable[tuple[str, tuple[str, str]]], fuse: str, posts: tuple[str, str]
) -> list[str]:
    """What of all that draws current (part, its nets) gets it through a fuse."""
    left = {part: ends for part, ends in now.conducting.items() if part != fuse}
    without = fed_by(left, posts)
    return [part for part, ends in drawing if now.feeds(ends) and not without.feeds(ends)]
