"""What the wiring as a whole must obey: radial, no dead ends, loads between, fuses big enough."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from diagnose.machine.ends import MECHANICAL, coil_nets, conductors, draws, main_nets
from diagnose.machine.fuses import (
    behind,
    fed,
    fed_by,
    most_carried,
    neighbours,
    nominal_amps,
    outward,
)
from diagnose.machine.graphs import Groups
from diagnose.machine.nearest import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.errors import Problem
    from diagnose.machine.fuses import Fed
    from diagnose.machine.subject import Subject

MOST_FED = 160_000
"""Parts times conditions up to which fuses are looked at; a machine with more of them is refused
for its cost."""

MOST_FOLLOWED = 500
"""Conductors among which a loop is told part by part; in a larger machine only where it closes."""


def check_wiring(subject: Subject) -> Iterator[Problem]:
    """Problems of the circuit; what lies beside a part that cannot be read is left open."""
    parts = subject.wiring.parts
    for part, entry in parts.items():
        for ends in () if entry.kind == MECHANICAL else (main_nets(entry), coil_nets(entry)):
            if ends is not None and ends[0] == ends[1]:
                message = f"both ends are on the net {shown(ends[0])}; expected two nets"
                yield subject.problem(("parts", part), message, "same_net", key=True)
    if not subject.wiring.adrift:
        yield from _nets(subject)
    loops = list(_loops(subject))
    yield from loops
    batteries = [name for name, part in parts.items() if part.kind == "battery"]
    if len(batteries) != 1:
        if len(batteries) > 1 or not subject.wiring.adrift:
            message = f"met {len(batteries)} parts of kind battery; expected exactly one"
            yield subject.problem(("parts",), message, "battery_count", key=True)
        return
    posts = main_nets(parts[batteries[0]])
    for part, entry in parts.items():
        if entry.kind == "charge" and not set(main_nets(entry)) & set(posts):
            message = f"does not touch the battery; expected one of its nets {', '.join(posts)}"
            yield subject.problem(("parts", part), message, "charge_place", key=True)
    yield from _trees(subject, batteries[0], posts)
    if subject.volts_known and len(parts) * len(subject.file.conditions) <= MOST_FED:
        yield from _fuses(subject, posts, radial=not loops)


def _nets(subject: Subject) -> Iterator[Problem]:
    touched: Counter[str] = Counter()
    owner: dict[str, tuple[str, str]] = {}
    for part, entry in subject.wiring.parts.items():
        for role, net in entry.terminals.items():
            touched[net] += 1
            owner[net] = (part, role)
        if entry.kind == "controller":
            touched.update({net for given in entry.inputs for net in (given.net, given.against)})
    unsure = subject.wiring.unsure
    for net, (part, role) in owner.items():
        if touched[net] == 1 and net not in unsure:
            message = f"the net {net!r} is a dead end: only this terminal touches it"
            yield subject.problem(("parts", part, role), message, "dead_end_net")
    for net in subject.section("nets") or ():
        if net not in owner and net not in unsure:
            yield subject.problem(("nets", net), "no part touches this net", "unused_net", key=True)


def _loops(subject: Subject) -> Iterator[Problem]:
    """A problem at each part that closes a loop with those before it."""
    groups, tree = Groups(), dict[str, tuple[str, str]]()
    for part, ends in conductors(subject.wiring.parts).items():
        if ends[0] == ends[1]:
            continue
        if groups.join(*ends):
            tree[part] = ends
        elif len(tree) <= MOST_FOLLOWED:
            loop = ", ".join([part, *_way(tree, ends)])
            message = f"a loop of {loop}; expected wiring without loops"
            yield subject.problem(("parts", part), message, "wiring_loop", key=True)
        else:
            message = "closes a loop; expected wiring without loops"
            yield subject.problem(("parts", part), message, "wiring_loop", key=True)


def _way(tree: Mapping[str, tuple[str, str]], ends: tuple[str, str]) -> list[str]:
    """The parts on the way from one net to another."""
    before = outward(neighbours(tree), ends[0])
    way, step = list[str](), before[ends[1]]
    while step is not None:
        way.append(step[1])
        step = before[step[0]]
    return way[::-1]


def _trees(subject: Subject, battery: str, posts: tuple[str, str]) -> Iterator[Problem]:
    parts = subject.wiring.parts
    wired = fed_by(conductors(parts), posts)
    plus, minus = wired.plus, wired.minus
    if posts[1] in plus:
        message = "the plus and the minus post are joined by wiring alone, without a load"
        yield subject.problem(("parts", battery), message, "plus_minus_joined", key=True)
        return
    if subject.wiring.adrift:
        return
    unsure = _beside(wired, subject.wiring.unsure)
    for part, (first, _) in wired.conducting.items():
        if first in unsure:
            continue
        if first not in plus and first not in minus:
            message = "hangs on neither the battery's plus nor its minus"
            yield subject.problem(("parts", part), message, "floating_part", key=True)
    for part, (from_net, to_net) in draws(parts):
        if from_net in unsure or to_net in unsure:
            continue
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


def _beside(wired: Fed, unsure: frozenset[str]) -> set[str]:
    """Nets that hang on neither post and are joined to one of which nothing is known."""
    group = Groups(wired.conducting.values()).names()
    doubtful = {group.get(net, net) for net in unsure}
    beside = {net for net, name in group.items() if name in doubtful} | unsure
    return beside - wired.plus - wired.minus


def _fuses(subject: Subject, posts: tuple[str, str], *, radial: bool) -> Iterator[Problem]:
    parts, file = subject.wiring.parts, subject.file
    amps = nominal_amps(parts, file.machine.nominal_volts)
    fuses = [name for name, entry in parts.items() if entry.kind == "fuse"]
    feeds = {
        name: fed(parts, condition.closes, file.machine.nominal_volts, posts)
        for name, condition in (file.conditions.items() if fuses else ())
    }
    most_of = most_carried(parts, amps, feeds, posts, radial=radial)
    for fuse, (most, condition) in most_of.items():
        entry = parts[fuse]
        if entry.kind == "fuse" and most > entry.amps * (1.0 + 1e-9):
            drawing = behind(feeds[condition], draws(parts), fuse, posts)
            shares = ", ".join(f"{part} {amps[part]:.3g} A" for part in drawing if part in amps)
            message = (
                f"rated {entry.amps:g} A but carries {most:.3g} A in {condition!r} ({shares}); "
                f"expected at least {most:.3g} A"
            )
            yield subject.problem(("parts", fuse, "amps"), message, "fuse_too_small")
