"""What the wiring as a whole must obey: radial, no dead ends, loads between, fuses big enough."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import TYPE_CHECKING

from diagnose.machine.ends import all_paths, main_nets
from diagnose.machine.wiring import conductors, draws, fed, reach

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.errors import Problem
    from diagnose.machine.subject import Subject
    from diagnose.machine.wiring import Draw


def check_wiring(subject: Subject) -> Iterator[Problem]:
    """Problems of the circuit; silent when a part or net could not be read at all."""
    for part, entry in subject.file.parts.items():
        for first, second in all_paths(entry):
            if first == second:
                message = f"both ends are on the net {first!r}; expected two nets"
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
    edges = conductors(subject.file.parts)
    plus, minus = (reach(post, edges.values()) for post in posts)
    if posts[1] in plus:
        message = "the plus and the minus post are joined by wiring alone, without a load"
        yield subject.problem(("parts", battery), message, "plus_minus_joined", key=True)
        return
    for part, (first, _) in edges.items():
        if first not in plus and first not in minus:
            message = "hangs on neither the battery's plus nor its minus"
            yield subject.problem(("parts", part), message, "floating_part", key=True)
    between = [(draw.part, draw.from_net, draw.to_net) for draw in draws(subject.file)]
    between += [
        (part, *main_nets(entry))
        for part, entry in subject.file.parts.items()
        if entry.kind == "generator"
    ]
    for part, from_net, to_net in between:
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
    for part, entry in subject.file.parts.items():
        if entry.kind != "fuse" or not subject.file.conditions:
            continue
        behind = {c: _behind(subject, part, c, posts) for c in subject.file.conditions}
        carried = {c: sum(draw.amps for draw in drawing) for c, drawing in behind.items()}
        condition = max(carried, key=carried.__getitem__)
        amps = carried[condition]
        if amps > entry.amps * (1.0 + 1e-9):
            shown = ", ".join(f"{d.part} {d.amps:.3g} A" for d in behind[condition])
            message = (
                f"rated {entry.amps:g} A but carries {amps:.3g} A in {condition!r} ({shown}); "
                f"expected at least {amps:.3g} A"
            )
            yield subject.problem(("parts", part, "amps"), message, "fuse_too_small")


def _behind(subject: Subject, fuse: str, condition: str, posts: tuple[str, str]) -> list[Draw]:
    """What draws current through `fuse` in a condition."""
    now = fed(subject.file, condition, posts)
    if fuse not in now.conducting:
        return []
    edges = conductors(subject.file.parts)
    kept = [edges[name] for name in now.conducting if name != fuse]
    plus, minus = (reach(post, kept) for post in posts)
    return [
        draw
        for draw in draws(subject.file)
        if draw.from_net in now.plus
        and draw.to_net in now.minus
        and (draw.from_net not in plus or draw.to_net not in minus)
    ]
