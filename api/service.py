"""What the routers of one application share."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from diagnose import cache
from diagnose.kept import Kept
from diagnose.rule.prepared import prepared_bytes

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.circuit.layout import Shape

    from .keeping import Keeping
    from .keys import Door
    from .metrics import Metrics
    from .settings import Settings
    from .shelf import Shelf
    from .slots import Slots

ANSWER_BYTES = 16_000_000
"""Answers that are kept, since tablets ask for the same one again and again."""

MOST_SHAPES = 100
"""Machines whose pictures keep their arrangement."""


@dataclass(frozen=True, slots=True)
class Told:
    """An answer as it goes out.

    Attributes:
        body: JSON.
        action: of its verdict.
    """

    body: bytes
    action: str


@dataclass(frozen=True, slots=True)
class Service:
    """The parts that endpoints work with."""

    settings: Settings
    shelf: Shelf
    slots: Slots
    metrics: Metrics
    log: Any
    keeping: Keeping
    door: Door
    answers: Kept[Told] = field(
        default_factory=lambda: Kept(ANSWER_BYTES, lambda told: len(told.body) + 200)
    )

    shapes: Kept[Shape] = field(default_factory=lambda: Kept(MOST_SHAPES, lambda _: 1))

    def held(self) -> dict[str, Callable[[], int]]:
        """Bytes that are kept, by what is kept."""
        return {
            "machines": prepared_bytes,
            "answers": self.answers.nbytes,
            "disk": cache.held_bytes,
        }

    @property
    def warming(self) -> bool:
        """Whether machines are still being made ready, so that any job may take long."""
        return not self.shelf.warmth.over
