"""Closing a job at the bench: what the order lacks is asked in two questions at most."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from rich.text import Text

from diagnose.commands.page import named
from diagnose.commands.turn import chosen
from diagnose.errors import DiagnoseError, RequestError
from diagnose.faults.words import UNLISTED
from diagnose.paper import words
from diagnose.steps.apply import check_cause
from diagnose.steps.closing import closing_so_far, still_to_ask
from diagnose.steps.kinds import ENDINGS, Closed
from diagnose.steps.status import KeptStep

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console

    from diagnose.commands.turn import Turn
    from diagnose.machine.model import Machine
    from diagnose.steps.closing import Question

    ReadLine = Callable[[], str]

MOST_CHOICES = 9
HOW = {
    "runs": "it starts and runs",
    "handed_over": "handed over",
    "given_up": "given up",
    "no_fault_found": "no fault found",
}
SEEN = re.compile(r"(?:^|\s)(not\s+seen|seen)$")


def ask_closing(
    console: Console,
    read_line: ReadLine,
    turn: Turn,
    how: str,
    kept: Sequence[KeptStep] | None = None,
) -> Closed | None:
    """The step that closes a job, with what the technician answers; None when the input ends.

    Args:
        console: where the questions are shown.
        read_line: gives an empty text when the input ends.
        turn: where the job stands.
        how: one of `ENDINGS`; empty for what the steps tell.
        kept: the steps as they are kept; None for those that the turn knows.
    """
    log = kept or [KeptStep(seq=seq, step=step) for seq, step in enumerate(turn.history, 1)]
    closed = closing_so_far(log)
    if how:
        closed = replace(closed, ended=chosen("ending", how, ENDINGS))
    elif closed.ended == "given_up" and turn.advice.verdict.action == "escalate":
        closed = replace(closed, ended="handed_over")
    console.print(Text(f"The job ends: {HOW[closed.ended]}."))
    for question in still_to_ask(closed, log, turn.job.machine):
        told = _asked(console, read_line, turn.job.machine, question)
        if told is None:
            return None
        closed = replace(closed, **told)
    return closed


def _asked(
    console: Console, read_line: ReadLine, machine: Machine, question: Question
) -> dict[str, Any] | None:
    """The fields that an answer fills; None when the input ends."""
    about_cause = "cause_part" in question.asks
    console.print(Text(question.text))
    choices = question.choices[:MOST_CHOICES]
    for number, (part, mode) in enumerate(choices, 1):
        named(console, str(number), words.fault_words(machine, part, mode), f"{part}.{mode}")
    hint = "a number or PART.MODE, then `seen` or `not seen`" if about_cause else "35 rust inside"
    while True:
        console.print(Text(f"({hint}; Enter for not known) > "), end="")
        line = read_line()
        if not line:
            return None
        try:
            return _cause(machine, line, choices) if about_cause else _rest(line)
        except DiagnoseError as error:
            console.print(Text(str(error), "red"))


def _cause(machine: Machine, line: str, choices: Sequence[tuple[str, str]]) -> dict[str, Any]:
    """Part, mode and whether it was seen, from a line."""
    text = line.strip()
    if not text:
        return {}
    seen = SEEN.search(text)
    name = text[: seen.start()].strip() if seen else text
    part: str | None
    mode: str | None
    if name.isdecimal():
        listed = [f"{part}.{mode}" for part, mode in choices]
        name = chosen("cause", name, listed)
    part, _, mode = name.partition(".")
    check_cause(machine, part, mode or None)
    told: dict[str, Any] = {"cause_part": part, "cause_mode": mode or None}
    if part == UNLISTED:
        return {"cause_part": part}
    return told | {"cause_seen": seen is not None and seen[1] == "seen"}


def _rest(line: str) -> dict[str, Any]:
    """Minutes and note from a line such as `35 rust in the connector`."""
    told = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)?\s*(?:min(?:utes)?\b)?\s*(.*?)\s*", line, re.DOTALL)
    if told is None:
        raise RequestError("expected minutes, then what is to be noted")
    minutes = None if told[1] is None else float(told[1].replace(",", "."))
    return {"labour_minutes": minutes, "note": told[2]}
