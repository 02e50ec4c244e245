"""Which cautions are shown in full, and which by their names.

A caution is shown in full the first time in a job, and every time before an action that can move,
burn or spray by itself; this module says which those are. It reads the words of the machine file,
so that it holds for every machine.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from diagnose.machine.model import Machine


def _any_of(*words: str) -> re.Pattern[str]:
    return re.compile(rf"\b({'|'.join(words)})\b", re.IGNORECASE)


MOVES = _any_of(
    "may turn",
    "can turn",
    "by itself",
    "belts?",
    "blades?",
    "shaft",
    "engine running",
    "hydraulics",
)
"""What turns, catches, starts or comes down."""

BURNS = _any_of("burns? fingers", "exhaust", "gets hot", "starter current", "can injure")
"""What is hot, or is when the current is on; ignition voltage too."""

SPRAYS = _any_of("jet of oil", "pierces")
"""What comes out under pressure."""

LIGHTS = _any_of("gas", "vapour", "petrol", "diesel", "joined to the battery")
"""What a spark or a short sets off: battery gas, fuel, studs without a fuse."""

MAKES_SPARKS = frozenset({"bridge", "substitute", "load_test"})
"""Kinds of test that join or part something under current. Every repair may do so."""


@dataclass(frozen=True, slots=True)
class Cautions:
    """The cautions of one action.

    Attributes:
        full: ids of those to be shown in full, in order.
        named: ids of the others, which were shown in full before.
    """

    full: tuple[str, ...]
    named: tuple[str, ...]


def dangerous(text: str, *, sparks: bool) -> bool:
    """Whether a caution speaks of what can move, burn or spray.

    Args:
        text: of the caution.
        sparks: whether the action makes sparks, so that gas, fuel and bare studs count as well.
    """
    always = any(kind.search(text) for kind in (MOVES, BURNS, SPRAYS))
    return always or (sparks and LIGHTS.search(text) is not None)


def cautions_of(
    machine: Machine, names: Iterable[str], seen: Collection[str], *, sparks: bool
) -> Cautions:
    """The cautions of an action, parted into those in full and those by name.

    Args:
        machine: whose file has the texts.
        names: ids of the cautions, in order.
        seen: ids of those shown in full before in this job.
        sparks: as in `dangerous`.
    """
    named = tuple(
        name
        for name in names
        if name in seen and not dangerous(machine.cautions[name].text, sparks=sparks)
    )
    return Cautions(tuple(name for name in names if name not in named), named)


def as_before(names: Sequence[str]) -> str:
    """`Cautions as before: fuel, battery gas. "why" shows them.`; empty without names."""
    if not names:
        return ""
    told = ", ".join(name.replace("_", " ") for name in names)
    return f"Cautions as before: {told}. `why` shows them."
