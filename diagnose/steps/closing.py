"""The end of a job: what is known of it by itself, and what is still to be asked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.steps.kinds import RUNS, Closed, HandedOver, Repaired
from diagnose.steps.status import minutes_of, shown_by, standing_kept

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.machine.model import Machine
    from diagnose.steps.status import KeptStep

CAUSE = "What was wrong, and did you see it?"
CAUSE_OF_NEED = "What do you think was wrong? Leave it empty where nobody knows."
REST = "How many minutes of labour in all, and what had made it fail?"


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to ask on closing.

    Attributes:
        asks: fields of `Closed` that the answer fills.
        text: the question.
        choices: likely answers as (part, mode), the likeliest first; for the cause only.
    """

    asks: tuple[str, ...]
    text: str
    choices: tuple[tuple[str, str], ...] = ()


def closing_so_far(kept: Sequence[KeptStep]) -> Closed:
    """How a job would close by what its steps tell.

    It ended with a machine that runs if the last try showed so after a repair; with no fault found
    if it ran without one; handed over if that is where it stands; else it was given up. Labour is
    what the steps' minutes come to.
    """
    left = standing_kept(kept)
    shown = [what for each in left if (what := shown_by(each)) is not None]
    repaired = any(isinstance(each.step, Repaired) for each in left)
    ended = "given_up"
    if any(isinstance(each.step, HandedOver) for each in left):
        ended = "handed_over"
    elif shown and shown[-1] == RUNS:
        ended = "runs" if repaired else "no_fault_found"
    return Closed(ended=ended, labour_minutes=minutes_of([each.step for each in left]))


def still_to_ask(
    closed: Closed, kept: Sequence[KeptStep], machine: Machine | None = None
) -> tuple[Question, ...]:
    """What the order still lacks, in two questions at most; none where nothing is missing.

    Args:
        closed: what is known of the closing, e.g. from `closing_so_far` with what was given.
        kept: the steps of the job.
        machine: for the likely answers; without it there are none.
    """
    questions = []
    cause = [name for name in ("cause_part", "cause_mode", "cause_seen") if _lacks(closed, name)]
    if cause and closed.ended != "no_fault_found":
        text = CAUSE if closed.ended == "runs" else CAUSE_OF_NEED
        choices = () if machine is None else likely_causes(kept, machine)
        questions.append(Question(tuple(cause), text, choices))
    rest = [name for name in ("labour_minutes", "note") if _lacks(closed, name)]
    if rest:
        questions.append(Question(tuple(rest), REST))
    return tuple(questions)


def _lacks(closed: Closed, name: str) -> bool:
    value = getattr(closed, name)
    if name != "cause_part" and name.startswith("cause_") and closed.cause_part == "unlisted":
        return False
    return value is None or value == ""


def likely_causes(kept: Sequence[KeptStep], machine: Machine) -> tuple[tuple[str, str], ...]:
    """What the repairs put right, the latest first: (part, mode)."""
    causes: list[tuple[str, str]] = []
    for each in reversed(standing_kept(kept)):
        step = each.step
        if not isinstance(step, Repaired) or step.part not in machine.parts:
            continue
        for repair in machine.parts[step.part].repairs:
            if repair.id == step.repair:
                causes += [(step.part, mode) for mode in repair.fixes]
    return tuple(dict.fromkeys(causes))
