"""The text of a new machine file, started from a machine that is known.

Everything of that machine is kept, so that the file is valid from its first line on and can be
checked after every change; what is no longer known is where its numbers come from.
"""

from __future__ import annotations

import json
import re
import textwrap
from typing import TYPE_CHECKING, Any

from diagnose.machine.document import read_document

if TYPE_CHECKING:
    from collections.abc import Iterator

WIDTH = 96

PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_/()'.+-]*( [A-Za-z0-9_/()'.+-]+)*")
"""Texts that need no quotes anywhere."""

NO_TEXT = frozenset({"null", "true", "false"})
"""Words that are no text without quotes, in small letters."""

KEEP_SOURCE = ("shop", "cautions")
"""Sections that are about the shop and the work, not about the machine."""

HEADER = """\
{title}: a machine file started from {like}.

It is valid as it stands, and it is still {like}: go through it from top to bottom with the wiring
diagram at hand, and run `diagnose check` on it after every section.

Where a source says `{source}`, the number is that of another machine: write over it where you know
better, and say where you know it from. What your machine does not have goes out, and with it what
names it: the check lists what is still named. `diagnose draw` shows the circuit as the program
understands it.
"""
"""What stands at the top, paragraph by paragraph."""

NEXT = {
    "machine": "which machine this is; `version` goes up with every change you hand on",
    "shop": "what time and a wrong turn cost in your shop; keep it the same in all your files",
    "nets": "every point that wires join, in words that a technician finds it by; from the battery "
    "outward along the diagram",
    "cautions": "warnings, each shown with the tests and repairs that name it",
    "tools": "what a technician needs in the hand; rarely more than these",
    "areas": "what has to be opened, with your minutes to open and to close it",
    "conditions": "how the controls stand, and which switches that closes",
    "parts": "along the current: battery, cables, fuses, switches, relays, starter, grounds. Where "
    "each lies (nets, area), what it is (gauge, metres, amps, ohms), how often it fails of 1 000 "
    "jobs (`per_1000_jobs`), and its repairs",
    "shared_causes": "what makes several parts fail together: nests, water, the winter in a barn",
    "functions": "what the operator sees and hears the machine do",
    "complaints": "the customer's words, and the functions' levels that fit them",
    "works": "what a machine does that starts and runs",
    "tests": "what can be measured, listened to and looked at, with your minutes. Begin with those "
    "that need nothing opened",
}
"""Section -> what to write there."""


def starter_text(text: str, like: str, id_: str, title: str) -> str:
    """The text of a new machine file.

    Args:
        text: a valid machine file.
        like: id of its machine.
        id_: id of the new machine.
        title: words for it.
    """
    data = read_document(text).data
    source = f"estimate (copied from {like})"
    data["machine"] |= {
        "id": id_,
        "title": title,
        "version": "0",
        "notes": f"Started from {like}; not yet gone through.",
        "source": source,
    }
    words = HEADER.format(title=title, like=like, source=source).split("\n\n")
    lines = [line for each in words for line in (*_comment(each), "#")][:-1]
    for section, known in data.items():
        content = known if section in KEEP_SOURCE else _sourced(known, source)
        lines += ["", *_comment(NEXT.get(section, "")), f"{section}:", *_block(content, 2)]
    return "\n".join(lines) + "\n"


def _comment(words: str) -> list[str]:
    return textwrap.wrap(words, WIDTH, initial_indent="# ", subsequent_indent="# ")


def _sourced(value: Any, source: str) -> Any:
    """A value whose sources all say that it was copied."""
    if isinstance(value, dict):
        copied = {key: _sourced(item, source) for key, item in value.items()}
        return copied | {"source": source} if isinstance(value.get("source"), str) else copied
    if isinstance(value, list):
        return [_sourced(item, source) for item in value]
    return value


def _block(value: Any, indent: int) -> Iterator[str]:
    """Lines of a mapping or list, each of its entries on one line where it fits."""
    pad = " " * indent
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _entry(f"{pad}{_scalar(key)}:", item, indent)
    else:
        for item in value:
            line = f"{pad}- {_flow(item)}"
            if len(line) <= WIDTH or not isinstance(item, dict) or not item:
                yield line
            else:
                first, *others = _block(item, indent + 2)
                yield f"{pad}- {first.lstrip()}"
                yield from others


def _entry(head: str, value: Any, indent: int) -> Iterator[str]:
    line = f"{head} {_flow(value)}"
    if len(line) <= WIDTH and (indent > 2 or not isinstance(value, dict) or len(value) <= 6):
        yield line
    elif isinstance(value, dict | list) and value:
        yield head
        yield from _block(value, indent + 2)
    elif isinstance(value, str) and " ".join(value.split()) == value and value[0] not in "#%@`":
        yield f"{head} >-"
        pad = " " * (indent + 2)
        yield from textwrap.wrap(
            value,
            WIDTH,
            initial_indent=pad,
            subsequent_indent=pad,
            break_long_words=False,
            break_on_hyphens=False,
        )
    else:
        yield line


def _flow(value: Any) -> str:
    """A value on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_scalar(k)}: {_flow(item)}" for k, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_flow, value)) + "]"
    return _scalar(value)


def _scalar(value: Any) -> str:
    """A text, in double quotes where it needs them, a number, a truth or nothing."""
    if isinstance(value, str):
        plain = PLAIN.fullmatch(value) and value.lower() not in NO_TEXT
        return value if plain else json.dumps(value, ensure_ascii=False)
    return "null" if value is None else json.dumps(value)
