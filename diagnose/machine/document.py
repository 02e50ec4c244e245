"""A YAML 1.2 text as plain data that remembers line and column of every key and value.

The reader's events are composed once; scalars are resolved by the core schema of YAML 1.2.2
(section 10.3.2, tag resolution), so that `no`, `on` and `1:30` stay text and `1e-3` is a number.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from diagnose.errors import Problem
from diagnose.machine.nearest import Misnamed, listed, shown

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator

Path = tuple[str | int, ...]
"""Keys and list positions from the top of the file to a value."""

_SCALARS: tuple[tuple[str, Callable[[str], Any]], ...] = (
    (r"null|Null|NULL|~|", lambda _: None),
    (r"true|True|TRUE|false|False|FALSE", lambda text: text.lower() == "true"),
    (r"[-+]?[0-9]+", lambda text: int(text) if len(text) <= _MAX_DIGITS else math.inf),
    (
        r"0o[0-7]+|0x[0-9a-fA-F]+",
        lambda text: int(text, 0) if len(text) <= _MAX_DIGITS else math.inf,
    ),
    (r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?", float),
    (r"[-+]?(\.inf|\.Inf|\.INF)", lambda text: -math.inf if text[0] == "-" else math.inf),
    (r"\.nan|\.NaN|\.NAN", lambda _: math.nan),
)
"""Pattern of a plain scalar -> its value; the first that fits the whole text holds.

Source: YAML 1.2.2, section 10.3.2, core schema.
"""

_BEGINS_OTHERS = frozenset(["", *"~nNtTfF-+.0123456789"])
"""What a plain scalar begins with that is no text."""

_TEXT_TAG = "tag:yaml.org,2002:str"
_MAX_DEPTH = 40
MOST_NODES = 45_000
"""Keys, values and list items read of one file: four times the largest known."""

_LONG_MARK = re.compile(r"(?:(?<=[\s,\[{])|\A)[!&*%][^\s,\[\]{}]{1000}")
"""A tag, anchor, alias or directive on which the reader would take minutes."""

_MAX_DIGITS = 300
"""Digits that a double can just hold; a longer number counts as infinite."""


@dataclass(frozen=True, slots=True)
class Document:
    """What a text says, and where.

    Attributes:
        data: nested dicts, lists, text, numbers, booleans and None; None for an unreadable text.
        keys: path -> (line, column) of the key (list items: of the value), 1-based.
        values: path -> (line, column) of the value, 1-based.
        bare: paths of words between commas of a `{...}` that have no colon.
        problems: what was wrong in the YAML itself.
    """

    data: Any
    keys: dict[Path, tuple[int, int]] = field(default_factory=dict)
    values: dict[Path, tuple[int, int]] = field(default_factory=dict)
    bare: frozenset[Path] = frozenset()
    problems: tuple[Problem, ...] = ()

    def key_place(self, path: Path) -> tuple[int, int]:
        """Line and column of the key at `path`, or of the nearest enclosing key."""
        while path and path not in self.keys:
            path = path[:-1]
        return self.keys.get(path, (0, 0))

    def value_place(self, path: Path) -> tuple[int, int]:
        """Line and column of the value at `path`, or of the nearest enclosing value's key."""
        return self.values[path] if path in self.values else self.key_place(path)

    def problem(self, path: Path, message: str, rule: str, *, key: bool = False) -> Problem:
        """A problem at the value (or the key) at `path`; the path leads the message."""
        place = self.key_place(path) if key else self.value_place(path)
        return Problem(*place, f"{dotted(path)}: {message}", rule)

    def unknown(
        self,
        path: Path,
        noun: str,
        met: str,
        valid: Collection[str],
        rule: str,
        *,
        key: bool = False,
        suffix: str = "",
    ) -> Misnamed:
        """The problem that `met` is no known `noun`; the nearest that is comes later."""
        place = self.key_place(path) if key else self.value_place(path)
        message = f"{dotted(path)}: unknown {noun} {shown(met)}"
        return Misnamed(
            *place, message, rule, met=met, valid=valid, otherwise=listed(valid), suffix=suffix
        )


def dotted(path: Path) -> str:
    """A path as messages lead with it; steps longer than a name are cut short."""
    steps = (str(step) for step in path)
    return ".".join(step if len(step) <= 80 else f"{step[:77]}..." for step in steps)


def read_document(text: str, begins: str = "machine") -> Document:
    """Compose a YAML text to data with places. Never raises on bad text; see `problems`.

    Args:
        text: the YAML.
        begins: the first section of such a file.
    """
    from ruamel.yaml import YAML  # noqa: PLC0415  a warm process never needs the reader
    from ruamel.yaml.error import MarkedYAMLError, YAMLError  # noqa: PLC0415

    long = _LONG_MARK.search(text)
    if long is not None:
        before = text[: long.start()]
        place = (before.count("\n") + 1, len(before) - before.rfind("\n"))
        return _unreadable(place, "a tag, anchor or alias without an end; write plain values")
    try:
        composer = _Composer(YAML(typ="safe", pure=True).parse(text), begins)
        data = composer.document()
    except _StructureError as error:
        return _unreadable(error.place, str(error))
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = (mark.line + 1, mark.column + 1) if mark else (0, 0)
        said = error.problem or error.context or "cannot be read"
        return _unreadable(place, f"not valid YAML 1.2: {said}{_remedy(error, said)}")
    except YAMLError as error:
        before = text[: getattr(error, "position", 0)]  # a character that YAML forbids
        place = (before.count("\n") + 1, len(before) - before.rfind("\n"))
        return _unreadable(place, f"not valid YAML 1.2: {' '.join(str(error).split())}")
    except (ValueError, TypeError, AttributeError, LookupError, AssertionError) as error:
        return _unreadable((0, 0), f"not valid YAML 1.2: {error}")  # the reader itself tripped
    bare = frozenset(composer.bare)
    return Document(data, composer.keys, composer.values, bare, tuple(composer.problems))


REMEDIES = {
    "mapping values are not allowed": "a text with a colon in it stands in double quotes; "
    "entries of one kind begin in the same column",
    "'\\t' that cannot start": "indent with blanks, not with tabs",
    "cannot start any token": "a text that begins with this character stands in double quotes",
    "expected ',' or": "close the bracket{opened}; a text with a comma, colon or bracket in it "
    "stands in double quotes",
    "could not find expected ':'": "after a key come a colon and a blank",
    "expected <block end>": "entries of one kind begin in the same column",
    "while scanning a quoted scalar": "close the quotes{opened}",
}
"""Words of the reader -> what to do about it."""


def _remedy(error: Any, said: str) -> str:
    opened = error.context_mark
    for words, remedy in REMEDIES.items():
        if words in said or words in str(error.context):
            on_line = f" opened on line {opened.line + 1}" if opened else ""
            return "; " + remedy.format(opened=on_line)
    return ""


def _unreadable(place: tuple[int, int], message: str) -> Document:
    return Document(None, problems=(Problem(*place, message, "yaml_syntax"),))


class _StructureError(Exception):
    """The text is YAML but not one document of reasonable depth."""

    def __init__(self, place: tuple[int, int], message: str) -> None:
        self.place = place
        super().__init__(message)


def _place(event: Any) -> tuple[int, int]:
    return event.start_mark.line + 1, event.start_mark.column + 1


class _Composer:
    """One pass over the reader's events; collects data, places and problems."""

    def __init__(self, events: Iterator[Any], begins: str) -> None:
        self.keys: dict[Path, tuple[int, int]] = {}
        self.values: dict[Path, tuple[int, int]] = {}
        self.bare: set[Path] = set()
        self.problems: list[Problem] = []
        self._events = events
        self._begins = begins

    def document(self) -> Any:
        """Data of the only document."""
        next(self._events)  # the stream begins
        event = next(self._events)
        if type(event).__name__ != "DocumentStartEvent":
            message = f"the file is empty; expected a mapping that begins `{self._begins}:`"
            raise _StructureError((1, 1), message)
        data = self._value(next(self._events), ())
        next(self._events)  # the document ends
        event = next(self._events)
        if type(event).__name__ != "StreamEndEvent":
            raise _StructureError(_place(event), "a second document begins; expected only one")
        return data

    def _value(self, event: Any, path: Path) -> Any:
        place = _place(event)
        self.values[path] = place
        self.keys.setdefault(path, place)
        if len(path) > _MAX_DEPTH:
            raise _StructureError(place, "nested too deeply to be a machine file")
        if len(self.values) > MOST_NODES:
            message = f"more than {MOST_NODES:,} keys and values; a machine file has fewer"
            raise _StructureError(place, message)
        kind = type(event).__name__
        if kind == "AliasEvent":
            self._add(
                place,
                f"the alias *{str(event.anchor)[:60]} is not allowed; write it out",
                "yaml_alias",
            )
            return None
        if event.tag is not None and str(event.tag) != _TEXT_TAG:
            self._add(
                place,
                f"the tag {str(event.tag)[:60]} is not allowed; write plain values",
                "yaml_tag",
            )
        if kind == "MappingStartEvent":
            return self._mapping(path)
        if kind == "SequenceStartEvent":
            return self._sequence(path)
        return self._scalar(event)

    def _scalar(self, event: Any) -> str | int | float | bool | None:
        """Value of a scalar; sexagesimal numbers, `yes` and dates of YAML 1.1 are text here."""
        text = str(event.value)
        if event.style in (None, "") and event.tag is None and text[:1] in _BEGINS_OTHERS:
            for pattern, convert in _SCALARS:
                if re.fullmatch(pattern, text):
                    value: str | int | float | bool | None = convert(text)
                    return value
        return text

    def _sequence(self, path: Path) -> list[Any]:
        found: list[Any] = []
        for event in self._events:
            if type(event).__name__ == "SequenceEndEvent":
                break
            found.append(self._value(event, (*path, len(found))))
        return found

    def _mapping(self, path: Path) -> dict[str, Any]:
        found: dict[str, Any] = {}
        for event in self._events:
            if type(event).__name__ == "MappingEndEvent":
                break
            place = _place(event)
            key = self._key(event, path)
            value_path: Path = (*path, key)
            if key in found:
                first = self.keys[value_path]
                message = f"{shown(key)} is given twice in one mapping; first on line {first[0]}"
                self._add(place, message, "duplicate_key")
                self._value(next(self._events), (*path, f"{key} (again)"))
                continue
            self.keys[value_path] = place
            value = next(self._events)
            found[key] = self._value(value, value_path)
            if found[key] is None and not getattr(value, "value", ""):
                self.values[value_path] = place  # what is not there is told at its key
                if value.start_mark.index == event.end_mark.index:
                    self.bare.add(value_path)
        return found

    def _key(self, event: Any, path: Path) -> str:
        place = _place(event)
        if type(event).__name__ != "ScalarEvent":
            self._value(event, (*path, "(key)"))
            message = "a key must be text; a text with a comma or bracket stands in double quotes"
            self._add(place, message, "key_not_text")
            return f"(key on line {place[0]})"
        key = self._scalar(event)
        if not isinstance(key, str):
            self._add(place, f"the key {shown(key)} is not text; use quotes", "key_not_text")
        return str(event.value)

    def _add(self, place: tuple[int, int], message: str, rule: str) -> None:
        self.problems.append(Problem(*place, message, rule))
