"""What a list of steps comes to without the machine: what stands, and how far the job is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.errors import WrongStateError
from diagnose.steps.kinds import RUNS, Closed, HandedOver, Reopened, Repaired, Tried, Undone

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from diagnose.steps.kinds import AnyStep

OPEN, RAN, HANDED_OVER, CLOSED = "open", "runs", "handed_over", "closed"
STATUSES = (OPEN, RAN, HANDED_OVER, CLOSED)
"""How far a job is: `runs` when the machine ran on the last try after a repair."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Noted:
    """What was worked out about a step when it was kept, and is kept with it.

    Attributes:
        advised: what the tool proposed at that moment, action and target; None where it did not.
        tool_version: version of the program; None where it is not known.
        shown: what trying the machine showed, of every step that tells it; None of the others.
    """

    advised: str | None = None
    tool_version: str | None = None
    shown: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptStep:
    """A step as it is kept: its number in the job, from 1, and what was noted about it."""

    seq: int
    step: AnyStep
    noted: Noted = Noted()


def standing(steps: Iterable[AnyStep]) -> tuple[AnyStep, ...]:
    """The steps that are not taken back, in order; `undone` itself is none of them."""
    return tuple(kept.step for kept in standing_kept(_numbered(steps)))


def standing_kept(kept: Iterable[KeptStep]) -> tuple[KeptStep, ...]:
    """The same with what is kept about them."""
    left: list[KeptStep] = []
    for each in kept:
        if not isinstance(each.step, Undone):
            left.append(each)
        elif left:
            left.pop()
    return tuple(left)


def _numbered(steps: Iterable[AnyStep]) -> Iterable[KeptStep]:
    return (KeptStep(seq=seq, step=step) for seq, step in enumerate(steps, 1))


def shown_by(kept: KeptStep) -> str | None:
    """What trying the machine showed, where the step tells it."""
    if kept.noted.shown is not None:
        return kept.noted.shown
    return kept.step.shown if isinstance(kept.step, Repaired | Tried) else None


def status_of(kept: Sequence[KeptStep]) -> str:
    """How far a job with these steps is; one of `STATUSES`."""
    return _status(standing_kept(kept))


def _status(left: Iterable[KeptStep]) -> str:
    """The same from the standing steps alone."""
    status = OPEN
    for each in left:
        status = _after(status, each)
    return status


def _after(status: str, kept: KeptStep) -> str:
    step = kept.step
    if isinstance(step, Closed):
        return CLOSED
    if isinstance(step, HandedOver):
        return HANDED_OVER
    shown = shown_by(kept)
    if shown is not None:
        return RAN if shown == RUNS else OPEN
    return OPEN if isinstance(step, Reopened | Repaired) else status


def check_order(kept: Sequence[KeptStep], steps: Iterable[AnyStep], place: str = "steps") -> None:
    """Refuse steps that a job in its state does not take.

    A closed job takes only `reopened` and `undone`, one handed over those and `closed`; nothing
    else can be opened again.

    Raises:
        WrongStateError: one of them.
    """
    left = list(standing_kept(kept))
    status = _status(left)
    for number, step in enumerate(steps):
        if not _takes(status, step):
            raise WrongStateError(status, step.kind, f"{place}[{number}]")
        if isinstance(step, Undone):
            del left[-1:]
            status = _status(left)
        else:
            left.append(KeptStep(seq=0, step=step))  # its number says nothing here
            status = _after(status, left[-1])


def _takes(status: str, step: AnyStep) -> bool:
    if isinstance(step, Undone):
        return True
    if status == CLOSED:
        return isinstance(step, Reopened)
    if status == HANDED_OVER:
        return isinstance(step, Reopened | Closed)
    return not isinstance(step, Reopened)


def minutes_of(steps: Iterable[AnyStep]) -> float | None:
    """Minutes of labour that the standing steps tell; None where none tells any."""
    told = [step.minutes for step in standing(steps) if step.minutes is not None]
    return sum(told) if told else None
