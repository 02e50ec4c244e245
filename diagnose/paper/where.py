"""Where to probe and how to set the controls for a test, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.machine.model import Machine, Test

AS_BEFORE = "Controls as before."


def net_words(machine: Machine, net: str) -> str:
    """A net as somebody finds it: its words, the pins there, the colours of its wires."""
    pins, colours = [], []
    for part in machine.parts.values():
        here = [role for role, at in part.terminals.items() if at == net]
        pins += [f"pin {part.pins[role]}" for role in here if role in part.pins]
        colours += [f"{part.colour} wire"] if here and part.colour else []
    found = ", ".join(dict.fromkeys([*pins, *colours]))
    words = machine.nets[net].removeprefix("the ")
    return f"{words} ({found})" if found else words


def where_lines(machine: Machine, test: Test, held: str = "") -> Iterator[str]:
    """Probes and controls of a test, one line each.

    Args:
        machine: whose file has the words.
        test: the test.
        held: id of the condition that the controls are in already; empty for none.
    """
    if test.probes is not None:
        first, second = ("Tip", "Clip") if test.kind == "lamp" else ("Red", "Black")
        at, against = (net_words(machine, net) for net in test.probes)
        yield f"{first}: {at}. {second}: {against}."
    if test.condition is not None:
        controls = machine.conditions[test.condition].title
        same = held == test.condition
        yield AS_BEFORE if same else f"{controls[:1].upper()}{controls[1:]}."
