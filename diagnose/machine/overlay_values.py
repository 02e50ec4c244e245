"""Values of a priors file by their paths; what is wrong with one is kept with its place."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from diagnose.errors import Problem
from diagnose.machine.nearest import Misnamed, listed, shown, told

if TYPE_CHECKING:
    from collections.abc import Collection

    from diagnose.machine.document import Document, Path


class Values:
    """Takes values out of a document; problems are collected as they are met."""

    def __init__(self, document: Document) -> None:
        self._document = document
        self._problems: list[Problem] = list(document.problems)

    def told(self) -> tuple[Problem, ...]:
        """All problems so far, sorted by place."""
        return told(self._problems)

    def _at(self, path: Path) -> Any:
        held: Any = self._document.data
        for step in path:
            held = held[step]
        return held

    def _paths(self, section: str, deep: int, *more: str) -> list[Any]:
        """Paths of all entries of a section that lie so many names deep."""
        if section not in self._document.data:
            return []
        paths: list[Path] = [(section, *more)]
        for _ in range(deep):
            paths = [(*path, name) for path in paths for name in self._mapping(path)]
        return paths

    def _mapping(self, path: Path) -> dict[str, Any]:
        try:
            held = self._at(path)
        except (KeyError, IndexError):
            return {}
        if isinstance(held, dict):
            return held
        self._wrong(path, held, "a mapping")
        return {}

    def _keys(
        self,
        path: Path,
        held: dict[str, Any],
        valid: tuple[str, ...],
        needed: tuple[str, ...] = (),
    ) -> None:
        for name in held:
            if name not in valid:
                self._unknown((*path, name), "key", name, valid, "unknown_key")
        for name in needed:
            if name not in held and (held or not path):
                message = f"`{name}` is missing"
                if not path:
                    self._problems.append(Problem(1, 1, f"the section {message}", "missing_key"))
                else:
                    self._say(path, message, "missing_key", key=True)

    def _text(self, path: Path) -> str:
        held = self._at(path)
        if isinstance(held, str):
            return held
        self._wrong(path, held, "text, in quotes")
        return ""

    def _whole(self, path: Path) -> int:
        held = self._at(path)
        if isinstance(held, int) and not isinstance(held, bool) and held >= 0:
            return held
        self._wrong(path, held, "a whole number from 0")
        return 0

    def _number(self, path: Path, most: float) -> float:
        held = self._at(path)
        if isinstance(held, str):
            message = f"met the text {shown(held)}; expected a number, without quotes or unit"
            self._say(path, message, "number_as_text")
        elif not isinstance(held, int | float) or isinstance(held, bool):
            self._wrong(path, held, "a number")
        elif not (math.isfinite(held) and 0.0 <= held <= most):
            limits = f"0 to {most:g}" if math.isfinite(most) else "a finite number from 0"
            self._say(path, f"met {held}; expected {limits}", "out_of_range")
        else:
            return float(held)
        return 0.0

    def _any(self, path: Path) -> float:
        """A finite number of either sign."""
        held = self._at(path)
        if isinstance(held, int | float) and not isinstance(held, bool) and math.isfinite(held):
            return float(held)
        self._wrong(path, held, "a finite number, without quotes")
        return 0.0

    def _wrong(self, path: Path, met: Any, expected: str) -> None:
        seen = "nothing" if met is None else shown(met)
        self._say(path, f"met {seen}; expected {expected}", "wrong_type")

    def _say(self, path: Path, message: str, rule: str, *, key: bool = False) -> None:
        self._problems.append(self._document.problem(path, message, rule, key=key))

    def _unknown(self, path: Path, noun: str, met: str, valid: Collection[str], rule: str) -> None:
        if rule == "unknown_key":
            place = self._document.key_place(path)
            where = ".".join(map(str, path))
            self._problems.append(
                Misnamed(
                    *place,
                    f"{where}: unknown key {shown(met)}",
                    rule,
                    met=met,
                    valid=valid,
                    hint="; nearest is `{}`",
                    otherwise=listed(valid),
                )
            )
        else:
            self._problems.append(self._document.unknown(path, noun, met, valid, rule, key=True))
