"""A hostile file, and the ways to make one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

GOOD = (Path(__file__).parent / "larkfield.yaml").read_text("utf-8")
MARK = "@@"


@dataclass(frozen=True)
class Hostile:
    """One file: how to make it, the rule that refuses it, and where (0: no place in the text)."""

    kind: str
    name: str
    make: Callable[[Path], Path]
    rule: str
    line: int = 0
    column: int = 0


def of_bytes(content: bytes) -> Callable[[Path], Path]:
    """Makes a file of these bytes."""

    def make(path: Path) -> Path:
        path.write_bytes(content)
        return path

    return make


def of_text(kind: str, name: str, text: str, rule: str, line: int = 0, column: int = 0) -> Hostile:
    """A file of this text."""
    return Hostile(kind, name, of_bytes(text.encode("utf-8", "surrogatepass")), rule, line, column)


def edited(kind: str, name: str, rule: str, *edits: tuple[str, str]) -> Hostile:
    """The good file with each old replaced by its new; the problem stands at `@@`."""
    text = GOOD
    for old, new in edits:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        text = text.replace(old, new)
    before, mark, after = text.partition(MARK)
    assert mark, name
    place = before.count("\n") + 1, len(before) - before.rfind("\n")
    return of_text(kind, name, before + after, rule, *place)
