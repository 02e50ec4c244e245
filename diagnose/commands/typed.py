"""What is typed, at the bench or behind an option, and what it means."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import typer

from diagnose.errors import UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

WORDS: Mapping[str, str] = MappingProxyType(
    {
        "an outcome": "its name, the beginning of it, or its number",
        "a reading": "with or without its unit: 12.3, 12.3V, 85 mV",
        "TEST=RESULT": "the result of another test",
        "do TEST": "another test, by name or by its number in the list",
        "skip [REASON]": "this test cannot be done now; it is not offered again",
        "repaired CHECK": "the repair is done, and the complaint is `gone` or `still` there",
        "repaired PART.REPAIR CHECK": "another repair was done",
        "undo": "take back the last thing",
        "why": "what each result would leave of the suspects",
        "list": "the best tests",
        "open AREA": "this is open already; without a name: which areas there are",
        "close AREA": "this is closed again",
        "help": "these words",
        "quit": "stop and write the finding sheet",
    }
)
_ALIKE = {"?": "help", "exit": "quit", "q": "quit"}
_BARE = {"undo", "why", "list", "help", "quit"}
_WITH_NAME = {"do", "skip", "repaired", "open", "close"}

CHECKS: Mapping[str, bool | None] = MappingProxyType(
    {"gone": True, "still": False, "unchecked": None}
)
"""What the check after a repair showed, as it is typed."""


@dataclass(frozen=True, slots=True)
class Said:
    """One line typed.

    Attributes:
        kind: the first of one of `WORDS`, or `result`, `finding`, `nothing`.
        name: the test, area or reason it is about; empty when it names none.
        result: for `result` and `finding`, the outcome or reading as text.
    """

    kind: str
    name: str = ""
    result: str = ""


def understand(line: str, outcomes: Sequence[str], *, has_unit: bool) -> Said:
    """What a line means while a test is asked for.

    An outcome of the test wins over a word of the same spelling: `open` is the result of an ohms
    test, `open seat` is not.

    Args:
        line: as typed.
        outcomes: ids of the outcomes of the test asked for; empty when none is.
        has_unit: whether it takes readings, so that a bare number is one.
    """
    text = line.strip()
    if not text:
        return Said("nothing")
    if text in outcomes:
        return Said("result", result=text)
    if "=" in text:
        name, _, result = text.partition("=")
        return Said("finding", name.strip(), result.strip())
    first, _, rest = text.partition(" ")
    word, rest = _ALIKE.get(first.lower(), first.lower()), rest.strip()
    if word in _WITH_NAME or (word in _BARE and not rest):
        return Said(word, rest)
    return Said("result", result=_outcome(text, outcomes, numbered=not has_unit))


def _outcome(text: str, outcomes: Sequence[str], *, numbered: bool) -> str:
    """The outcome that a number or a beginning stands for; else the text as it is."""
    if numbered and text.isdecimal() and 1 <= int(text) <= len(outcomes):
        return outcomes[int(text) - 1]
    begun = [known for known in outcomes if known.startswith(text.lower().replace(" ", "_"))]
    return begun[0] if len(begun) == 1 else text


def chosen(kind: str, text: str, names: Sequence[str]) -> str:
    """A name typed itself, or by its number in the list.

    Raises:
        UnknownNameError: there is no such name or number.
    """
    if text.isdecimal() and 1 <= int(text) <= len(names):
        return names[int(text) - 1]
    if text not in names:
        raise UnknownNameError(kind, text, names)
    return text


def split_finding(text: str, option: str = "--finding") -> tuple[str, str]:
    """Test and result of `TEST=RESULT`.

    Raises:
        typer.BadParameter: one of the two is missing.
    """
    test, _, result = (part.strip() for part in text.partition("="))
    if not test or not result:
        raise typer.BadParameter(
            f"cannot read {text!r}; expected TEST=OUTCOME or TEST=12.3V", param_hint=option
        )
    return test, result


def split_repair(text: str) -> tuple[str, str, bool | None]:
    """Part, repair and check of `PART.REPAIR=CHECK`.

    Raises:
        typer.BadParameter: one of the three is missing or not known.
    """
    target, _, check = (part.strip() for part in text.partition("="))
    part, _, repair = target.partition(".")
    if not part or not repair or check not in CHECKS:
        raise typer.BadParameter(
            f"cannot read {text!r}; expected PART.REPAIR=gone, =still or =unchecked",
            param_hint="--repaired",
        )
    return part, repair, CHECKS[check]


def split_before(texts: Iterable[str], repairs: int) -> list[list[tuple[str, str]]]:
    """The findings before each repair, from `TEST=RESULT` or `N:TEST=RESULT`.

    Raises:
        typer.BadParameter: one that cannot be read, or is before a repair that was not done.
    """
    findings: list[list[tuple[str, str]]] = [[] for _ in range(repairs)]
    for text in texts:
        number, colon, rest = text.partition(":")
        if not colon:
            number, rest = "1", text
        if not number.strip().isdecimal() or not 1 <= int(number) <= repairs:
            raise typer.BadParameter(
                f"{text!r} is before repair {number.strip()}, but --repaired names {repairs}",
                param_hint="--before",
            )
        findings[int(number) - 1].append(split_finding(rest, "--before"))
    return findings
