"""The nets that a part's current flows between; the same for parts as written and as built."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.entries import AnyPart
    from diagnose.machine.model import Part

    Wired = Part | AnyPart

MAIN_ROLES = {
    "battery": ("plus", "minus"),
    "generator": ("plus", "minus"),
    "relay": ("contact_in", "contact_out"),
}
"""Terminals of the main path; of kinds not listed `from` and `to`."""

COIL_ROLES = {"relay": ("coil_in", "coil_out"), "controller": ("supply", "ground")}


NO_WIRING = ("battery", "load", "motor", "generator")
"""Kinds of part whose main path is no mere conductor."""

MADE = ("switch", "relay", "contacts", "controller", "diode")
"""Kinds of part that conduct at times only."""

MECHANICAL = "mechanical"
"""Kind of part that no current flows through."""


def main_nets(part: Wired) -> tuple[str, str]:
    """The two nets of a part's main path, in the direction of the current."""
    ends = part.terminals
    if part.kind == "controller":
        feeds = getattr(part, "output_to", "supply") == "supply"
        return (ends["supply"], ends["output"]) if feeds else (ends["output"], ends["ground"])
    start, end = MAIN_ROLES.get(part.kind, ("from", "to"))
    return ends[start], ends[end]


def first_source(parts: Mapping[str, Wired]) -> str | None:
    """What all wiring is followed from: the first battery, else the first generator."""
    for kind in ("battery", "generator"):
        for id_, part in parts.items():
            if part.kind == kind:
                return id_
    return None


def battery_of(parts: Mapping[str, Wired], charge: str) -> str | None:
    """The battery that a state of charge belongs to: the one it touches."""
    nets = set(main_nets(parts[charge]))
    return next(
        (i for i, p in parts.items() if p.kind == "battery" and nets & set(main_nets(p))), None
    )


def posts(parts: Mapping[str, Wired], battery: str) -> tuple[str, str]:
    """The nets of a battery's posts; a state of charge lies between its cells and one of them."""
    inner = main_nets(parts[battery])
    outer = list(inner)
    for part in parts.values():
        if part.kind == "charge" and set(main_nets(part)) & set(inner):
            near, far = main_nets(part)
            outer = [far if net == near else near if net == far else net for net in outer]
    return outer[0], outer[1]


def coil_nets(part: Wired) -> tuple[str, str] | None:
    """The two nets of a relay's coil or of a controller's own draw."""
    if part.kind not in COIL_ROLES:
        return None
    start, end = COIL_ROLES[part.kind]
    return part.terminals[start], part.terminals[end]


def conductors(parts: Mapping[str, Wired]) -> dict[str, tuple[str, str]]:
    """Parts that belong to the wiring (joints, fuses, contacts ...) -> nets of their main path.

    Of several batteries those in line with the first belong to it; those beside it do not.
    """
    others = (*NO_WIRING, MECHANICAL)
    joined = {id_: main_nets(part) for id_, part in parts.items() if part.kind not in others}
    source = first_source(parts)
    more = [id_ for id_, part in parts.items() if part.kind == "battery" and id_ != source]
    while source is not None and more:
        plus, minus = (_reached(joined, post) for post in main_nets(parts[source]))
        in_line = (
            id_
            for id_ in more
            if not (main_nets(parts[id_])[0] in plus and main_nets(parts[id_])[1] in minus)
        )
        battery = next(in_line, None)
        if battery is None:
            break
        joined[battery] = main_nets(parts[battery])
        more.remove(battery)
    return joined


def _reached(joined: Mapping[str, tuple[str, str]], net: str) -> set[str]:
    """The nets that conductors join to one."""
    beside: dict[str, list[str]] = {}
    for near, far in joined.values():
        beside.setdefault(near, []).append(far)
        beside.setdefault(far, []).append(near)
    reached, edge = {net}, [net]
    while edge:
        edge = [far for near in edge for far in beside.get(near, ()) if far not in reached]
        reached.update(edge)
    return reached


def draws(parts: Mapping[str, Wired]) -> list[tuple[str, tuple[str, str]]]:
    """All that lies between plus and minus: id and nets of each load, generator and coil.

    A battery beside the first is one of them; what all wiring is followed from is not.
    """
    between, wiring, source = [], conductors(parts), first_source(parts)
    for id_, part in parts.items():
        coil = coil_nets(part)
        if coil is not None:
            between.append((id_, coil))
        elif part.kind in NO_WIRING and id_ != source and id_ not in wiring:
            between.append((id_, main_nets(part)))
    return between
