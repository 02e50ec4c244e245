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


def posts(parts: Mapping[str, Wired], battery: str) -> tuple[str, str]:
    """The nets of a battery's posts; a state of charge lies between its cells and one of them."""
    inner = main_nets(parts[battery])
    outer = list(inner)
    for part in parts.values():
        if part.kind == "charge":
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
    """Parts that belong to the wiring (joints, fuses, contacts ...) -> nets of their main path."""
    others = (*NO_WIRING, MECHANICAL)
    return {id_: main_nets(part) for id_, part in parts.items() if part.kind not in others}


def draws(parts: Mapping[str, Wired]) -> list[tuple[str, tuple[str, str]]]:
    """All that lies between plus and minus: id and nets of each load, generator and coil."""
    between = []
    for id_, part in parts.items():
        coil = coil_nets(part)
        if coil is not None:
            between.append((id_, coil))
        elif part.kind in NO_WIRING and part.kind != "battery":
            between.append((id_, main_nets(part)))
    return between
