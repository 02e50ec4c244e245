"""A machine file under check: its entries, their places, and the names it defines."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from diagnose.machine.model import ALL_OF_LEVELS, RELAY_LEVELS
from diagnose.machine.schema import MachineFile

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from diagnose.errors import Problem
    from diagnose.machine.document import Document, Path
    from diagnose.machine.nearest import Misnamed
    from diagnose.machine.schema import RaiseEntry
    from diagnose.machine.wiring import Wiring

NONE_DEFINED = "(none is defined)"


@dataclass(frozen=True, slots=True)
class Subject:
    """What the checks look at.

    Names come from the text itself, so that an entry with a problem of its own does not make
    every mention of it a problem as well.

    Attributes:
        file: the entries that passed the schema.
        document: data and places of the whole text.
        wiring: the parts with their nets, as far as they can be told.
        volts_known: whether the nominal volts are those of the text.
    """

    file: MachineFile
    document: Document
    wiring: Wiring
    volts_known: bool = True
    _of_kind: dict[str, list[str]] = field(default_factory=dict)

    def problem(self, path: Path, message: str, rule: str, *, key: bool = False) -> Problem:
        """A problem at the value (or the key) at `path`; the path leads the message."""
        return self.document.problem(path, message, rule, key=key)

    def set_aside(self, section: str) -> bool:
        """Whether some entry of a section has a problem of its own and is not looked at."""
        content = self.section(section)
        return content is None or len(content) != len(getattr(self.file, section))

    def section(self, name: str) -> dict[str, Any] | None:
        """A section as the text has it; None when its names cannot be told.

        A section that may be left out defines no names, unless a misspelled one may be meant.
        """
        data, known = self.document.data, MachineFile.model_fields
        if name not in data and not known[name].is_required() and set(data) <= set(known):
            return {}
        section = data.get(name)
        return section if isinstance(section, dict) else None

    def entry(self, section: str, id_: str) -> dict[str, Any]:
        """One entry as the text has it; empty when it is not a mapping."""
        entry = (self.section(section) or {}).get(id_)
        return entry if isinstance(entry, dict) else {}

    def kind_of(self, part: str) -> str:
        """Kind of a part, empty when the text does not say."""
        return str(self.entry("parts", part).get("kind", ""))

    def modes_of(self, part: str) -> tuple[str, ...]:
        """Failure modes of a part."""
        modes = self.entry("parts", part).get("modes")
        return tuple(modes) if isinstance(modes, dict) else ()

    def levels_of(self, function: str) -> tuple[str, ...]:
        """Levels of a function, best first."""
        entry = self.entry("functions", function)
        if entry.get("kind") == "relay":
            return RELAY_LEVELS
        if entry.get("kind") == "all_of":
            return ALL_OF_LEVELS
        levels = entry.get("levels")
        return tuple(levels) if isinstance(levels, dict) else ()

    def name(self, path: Path, met: str, section: str, *, key: bool = False) -> Iterator[Problem]:
        """A problem when `met` is not defined in `section`."""
        valid = self.section(section)
        if valid is not None and met not in valid:
            noun = section.rpartition("_")[2].removesuffix("s")
            yield self.unknown(path, met, noun, valid, key=key)

    def unknown(
        self,
        path: Path,
        met: str,
        noun: str,
        valid: Collection[str],
        *,
        key: bool = False,
        suffix: str = "",
    ) -> Misnamed:
        """The problem that `met` is no known `noun`; it will name the nearest that is."""
        valid = valid or (NONE_DEFINED,)
        rule = f"unknown_{noun}"
        return self.document.unknown(path, noun, met, valid, rule, key=key, suffix=suffix)

    def unknown_in(
        self, path: Path, met: Collection[str], noun: str, valid: Collection[str]
    ) -> Iterator[Problem]:
        """The problems of a list of names at `path`, each of which must be one of `valid`."""
        for i, name in enumerate(met):
            if name not in valid:
                yield self.unknown((*path, i), name, noun, valid)

    def of_kind(self, kind: str) -> list[str]:
        """Parts of a kind, and those whose kind the text does not say."""
        if kind not in self._of_kind:
            parts = self.section("parts") or {}
            self._of_kind[kind] = [name for name in parts if self.kind_of(name) in (kind, "")]
        return self._of_kind[kind]

    def reached(self, raised: RaiseEntry) -> list[str]:
        """The parts that a raise names, or those of its kind (in its areas), as the text has it."""
        parts = self.section("parts") or {}
        if raised.parts:
            return [part for part in raised.parts if part in parts]
        areas = raised.areas
        return [
            part
            for part in parts
            if self.kind_of(part) == raised.kind
            and (areas is None or self.entry("parts", part).get("area") in areas)
        ]
