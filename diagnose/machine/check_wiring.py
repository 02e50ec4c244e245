"""What the wiring as a whole must obey: no dead ends, loads between, fuses big enough."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from diagnose.machine.ends import (
    MADE,
    MECHANICAL,
    battery_of,
    coil_nets,
    conductors,
    draws,
    first_source,
    main_nets,
)
from diagnose.machine.fuses import (
    behind,
    fed,
    fed_by,
    most_carried,
    nominal_amps,
)
from diagnose.machine.graphs import Groups
from diagnose.machine.nearest import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.errors import Problem
    from diagnose.machine.entries import AnyPart
    from diagnose.machine.fuses import Fed
    from diagnose.machine.subject import Subject

MOST_FED = 160_000
"""Parts times conditions up to which fuses are looked at; a machine with more of them is refused
for its cost."""


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
    source = first_source(parts)
    if source is None:
        if not subject.wiring.adrift:
            message = "met neither a battery nor a generator; expected one at least"
            yield subject.problem(("parts",), message, "no_source", key=True)
        return
    for part, entry in parts.items():
        if entry.kind == "charge" and battery_of(parts, part) is None:
            message = "touches no battery; expected one of a battery's nets"
            yield subject.problem(("parts", part), message, "charge_place", key=True)
    yield from _trees(subject, source)
    if subject.volts_known and len(parts) * len(subject.file.conditions) <= MOST_FED:
        yield from _fuses(subject, main_nets(parts[source]))


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


def _trees(subject: Subject, source: str) -> Iterator[Problem]:
    parts, wiring = subject.wiring.parts, conductors(subject.wiring.parts)
    for battery in (id_ for id_, part in parts.items() if part.kind == "battery" or id_ == source):
        fixed = {p: e for p, e in wiring.items() if p != battery and parts[p].kind not in MADE}
        posts = main_nets(parts[battery])
        if posts[1] in fed_by(fixed, posts).plus:
            message = "the plus and the minus post are joined by wiring alone, without a load"
            yield subject.problem(("parts", battery), message, "plus_minus_joined", key=True)
            return
    if subject.wiring.adrift:
        return
    whole = fed_by(wiring, main_nets(parts[source]))
    unsure = _beside(whole, subject.wiring.unsure)
    for part, (first, _) in wiring.items():
        if first not in unsure and first not in whole.plus and first not in whole.minus:
            message = "hangs on neither the battery's plus nor its minus"
            yield subject.problem(("parts", part), message, "floating_part", key=True)
    sides = [whole, *_of_others(parts, wiring, source)]
    for part, ends in draws(parts):
        if not unsure.intersection(ends) and not any(side.feeds(ends) for side in sides):
            here, there = (
                "plus" if net in whole.plus else "minus" if net in whole.minus else "neither"
                for net in ends
            )
            message = (
                f"lies between the {here} side ({ends[0]!r}) and the {there} side "
                f"({ends[1]!r}); expected plus and minus"
            )
            yield subject.problem(("parts", part), message, "load_not_between", key=True)


def _of_others(
    parts: Mapping[str, AnyPart], wiring: Mapping[str, tuple[str, str]], source: str
) -> Iterator[Fed]:
    """What further batteries in line with the first can feed: a tap between two of them."""
    for battery in (part for part in wiring if parts[part].kind == "battery"):
        others = {part: ends for part, ends in wiring.items() if part != battery}
        yield fed_by({**others, source: main_nets(parts[source])}, main_nets(parts[battery]))


def _beside(wired: Fed, unsure: frozenset[str]) -> set[str]:
    """Nets that hang on neither post and are joined to one of which nothing is known."""
    group = Groups(wired.conducting.values()).names()
    doubtful = {group.get(net, net) for net in unsure}
    beside = {net for net, name in group.items() if name in doubtful} | unsure
    return beside - wired.plus - wired.minus


def _fuses(subject: Subject, posts: tuple[str, str]) -> Iterator[Problem]:
    parts, file = subject.wiring.parts, subject.file
    amps = nominal_amps(parts, file.machine.nominal_volts)
    fuses = [name for name, entry in parts.items() if entry.kind == "fuse"]
    feeds = {
        name: fed(parts, condition.closes, file.machine.nominal_volts, posts)
        for name, condition in (file.conditions.items() if fuses else ())
    }
    groups = Groups()
    radial = all(groups.join(*ends) for ends in conductors(parts).values() if len(set(ends)) > 1)
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
