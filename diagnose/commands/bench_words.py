"""What a technician types at the bench, and what it means."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Kind = Literal[
    "nothing",
    "result",
    "finding",
    "do",
    "skip",
    "repaired",
    "undo",
    "why",
    "list",
    "open",
    "close",
    "help",
    "quit",
]

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

_BARE: Mapping[str, Kind] = MappingProxyType(
    {
        "undo": "undo",
        "why": "why",
        "list": "list",
        "help": "help",
        "?": "help",
        "quit": "quit",
        "exit": "quit",
        "q": "quit",
    }
)
_WITH_NAME: Mapping[str, Kind] = MappingProxyType(
    {"do": "do", "skip": "skip", "repaired": "repaired", "open": "open", "close": "close"}
)


@dataclass(frozen=True, slots=True)
class Said:
    """One line typed.

    Attributes:
        kind: what it asks for.
        name: the test, area or reason it is about; empty when it names none.
        result: for `result` and `finding`, the outcome or reading as text.
    """

    kind: Kind
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
    word, rest = first.lower(), rest.strip()
    if word in _WITH_NAME or (word in _BARE and not rest):
        return Said({**_BARE, **_WITH_NAME}[word], rest)
    return Said("result", result=_outcome(text, outcomes, numbered=not has_unit))


def _outcome(text: str, outcomes: Sequence[str], *, numbered: bool) -> str:
    """The outcome that a number or a beginning stands for; else the text as it is."""
    if numbered and text.isdecimal() and 1 <= int(text) <= len(outcomes):
        return outcomes[int(text) - 1]
    begun = [one for one in outcomes if one.startswith(text.lower().replace(" ", "_"))]
    return begun[0] if len(begun) == 1 else text
