"""What is wrong in a priors file: every problem with its place, what was met, what was expected."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, get_args

from diagnose.errors import Problem
from diagnose.machine.model import TestKind
from diagnose.machine.overlay import (
    AREA,
    REPAIR,
    TEST,
    Bin,
    Group,
    Judged,
    Overlay,
    Rate,
    Score,
)
from diagnose.machine.overlay_values import Values

if TYPE_CHECKING:
    from collections.abc import Collection

    from diagnose.machine.document import Path
    from diagnose.machine.model import Machine

TEXTS = ("machine", "machine_version", "machine_hash")
OTHER_TEXTS = ("parent_hash", "window_from", "window_to")
NUMBERS = {
    "per_1000_jobs": 1000.0,
    "low": math.inf,
    "high": math.inf,
    "equivalent_cases": math.inf,
    "learnt": 1.0,
}
"""Keys of a rate, with the largest value of each; none is below 0."""

PERCENT = ("words_fit_percent", "slip_percent")
SECTIONS = (
    *("priors", "rates", "causes", "factors", "unlisted", *PERCENT, "minutes"),
    *("new_part_bad_per_1000", "not_identified", "judged"),
)
VERDICTS = ("adopt", "keep")
SCORE = ("title", "shipped", "refitted")
BIN = ("predicted", "observed", "low", "high", "cases")
NOUNS = {"tests": TEST, "areas": AREA, "repairs": REPAIR}


class OverlayReader(Values):
    """One reading of a priors file."""

    def overlay(self) -> Overlay | None:
        """What the file says; None where it has problems."""
        data = self._document.data
        if not isinstance(data, dict):
            if not self._problems:
                message = "a priors file is a mapping of sections, beginning with `priors:`"
                self._problems.append(Problem(1, 1, message, "yaml_syntax"))
            return None
        self._keys((), data, SECTIONS, ("priors",))
        made = self._made(data)
        return None if self._problems else made

    def _made(self, data: dict[str, Any]) -> Overlay:
        head = self._mapping(("priors",))
        self._keys(("priors",), head, (*TEXTS, *OTHER_TEXTS, "orders"), TEXTS)
        texts = {
            name: self._text(("priors", name)) for name in (*TEXTS, *OTHER_TEXTS) if name in head
        }
        bad, named = data.get("new_part_bad_per_1000"), ("new_part_bad_per_1000",)
        return Overlay(
            **{name: texts.get(name, "") for name in TEXTS},
            **{name: texts.get(name, "") for name in OTHER_TEXTS},
            orders=self._whole(("priors", "orders")) if "orders" in head else 0,
            rates={path[1:]: self._rate(path) for path in self._paths("rates", 2)},
            causes={path[1]: self._rate(path) for path in self._paths("causes", 1)},
            factors={path[1:]: self._number(path, 1e6) for path in self._paths("factors", 3)},
            unlisted={path[1]: self._rate(path) for path in self._paths("unlisted", 1)},
            words_fit_percent=self._percents("words_fit_percent"),
            slip_percent=self._percents("slip_percent"),
            minutes=self._minutes(),
            new_part_bad_per_1000=None if bad is None else self._number(named, 1000.0),
            not_identified=self._groups(data.get("not_identified", [])),
            judged=self._judged() if "judged" in data else None,
        )

    def _percents(self, section: str) -> dict[str, float]:
        return {str(path[1]): self._number(path, 100.0) for path in self._paths(section, 1)}

    def _minutes(self) -> dict[tuple[str, str], float]:
        held = self._mapping(("minutes",)) if "minutes" in self._document.data else {}
        self._keys(("minutes",), held, tuple(NOUNS))
        found = {}
        for section in (name for name in held if name in NOUNS):
            deep = 2 if section == "repairs" else 1
            for path in self._paths("minutes", deep, section):
                found[NOUNS[section], ".".join(map(str, path[2:]))] = self._number(path, 10_000.0)
        return found

    def _groups(self, held: Any) -> tuple[Group, ...]:
        if not isinstance(held, list):
            self._wrong(("not_identified",), held, "a list")
            return ()
        groups = []
        for place in range(len(held)):
            path: Path = ("not_identified", place)
            group = self._mapping(path)
            self._keys(path, group, ("members", *NUMBERS), ("members", "per_1000_jobs"))
            members = group.get("members")
            if not isinstance(members, list) or not all(isinstance(m, str) for m in members):
                self._wrong((*path, "members"), members, "a list of names like `part.mode`")
                members = []
            groups.append(Group(tuple(members), self._numbers(path, group)))
        return tuple(groups)

    def _judged(self) -> Judged:
        path: Path = ("judged",)
        held = self._mapping(path)
        self._keys(path, held, ("verdict", "reason", "scores", "calibration"), ("verdict",))
        verdict = self._text((*path, "verdict")) if "verdict" in held else ""
        if verdict not in ("", *VERDICTS):
            self._problems.append(
                self._document.unknown((*path, "verdict"), "verdict", verdict, VERDICTS, "verdict")
            )
        reason = self._text((*path, "reason")) if "reason" in held else ""
        scores = tuple(self._score(own) for own in self._entries((*path, "scores"), SCORE))
        bins = tuple(self._bin(own) for own in self._entries((*path, "calibration"), BIN))
        return Judged(verdict, reason, scores, bins)

    def _entries(self, path: Path, keys: tuple[str, ...]) -> list[Path]:
        """Paths of the entries of a list that have all these keys."""
        held = self._at(path[:-1]).get(path[-1], [])
        if not isinstance(held, list):
            self._wrong(path, held, "a list")
            return []
        paths: list[Path] = [(*path, place) for place in range(len(held))]
        for own in paths:
            self._keys(own, self._mapping(own), keys, keys)
        return [own for own in paths if set(keys) <= set(self._mapping(own))]

    def _score(self, path: Path) -> Score:
        title, *numbers = SCORE
        return Score(self._text((*path, title)), *(self._any((*path, n)) for n in numbers))

    def _bin(self, path: Path) -> Bin:
        *shares, cases = BIN
        said = {name: self._number((*path, name), 1.0) for name in shares}
        return Bin(**said, cases=self._whole((*path, cases)))

    def _rate(self, path: Path) -> Rate:
        held = self._mapping(path)
        self._keys(path, held, tuple(NUMBERS), ("per_1000_jobs",))
        return self._numbers(path, held)

    def _numbers(self, path: Path, held: dict[str, Any]) -> Rate:
        values = {n: self._number((*path, n), most) for n, most in NUMBERS.items() if n in held}
        rate = values.get("per_1000_jobs", 0.0)
        low, high = values.get("low", rate), values.get("high", rate)
        if not low <= rate <= high:
            message = f"met {rate:g} outside {low:g} to {high:g}; expected low, rate, high in order"
            self._say((*path, "per_1000_jobs"), message, "out_of_range")
        return Rate(rate, low, high, values.get("equivalent_cases", 0.0), values.get("learnt", 0.0))

    # Names

    def check_names(self, machine: Machine) -> None:
        """Look for every name in the machine; priors of one part that add up to too much."""
        parts = {name: list(part.modes)[1:] for name, part in machine.parts.items()}
        self._parts_and_modes("rates", parts)
        self._each("causes", "cause", machine.shared_causes)
        self._each("unlisted", "complaint", machine.complaints)
        self._each("words_fit_percent", "complaint", machine.complaints)
        self._each("slip_percent", "kind", get_args(TestKind))
        self._factors(machine)
        for path in self._paths("minutes", 1, "tests") if self._has("minutes", "tests") else ():
            self._name(path, "test", machine.tests)
        for path in self._paths("minutes", 1, "areas") if self._has("minutes", "areas") else ():
            self._name(path, "area", machine.areas)
        repairs = {name: [r.id for r in part.repairs] for name, part in machine.parts.items()}
        if self._has("minutes", "repairs"):
            self._parts_and_modes("minutes", repairs, "repairs", noun="repair")
        self._members(machine)
        self._sums(machine)

    def _members(self, machine: Machine) -> None:
        """Groups of modes, or of what is not in the file: `unlisted.COMPLAINT`."""
        named = [f"{name}.{mode}" for name, p in machine.parts.items() for mode in p.modes]
        named += [f"unlisted.{complaint}" for complaint in machine.complaints]
        valid = frozenset(named)
        for place, group in enumerate(self._document.data.get("not_identified", [])):
            for number, member in enumerate(group["members"]):
                if member not in valid:
                    path: Path = ("not_identified", place, "members", number)
                    self._problems.append(
                        self._document.unknown(path, "mode", member, named, "unknown_mode")
                    )

    def _has(self, *path: str) -> bool:
        held: Any = self._document.data
        for step in path:
            held = held.get(step) if isinstance(held, dict) else None
        return held is not None

    def _name(self, path: Path, noun: str, valid: Collection[str]) -> bool:
        if path[-1] in valid:
            return True
        self._unknown(path, noun, str(path[-1]), valid, f"unknown_{noun}")
        return False

    def _each(self, section: str, noun: str, valid: Collection[str]) -> None:
        for path in self._paths(section, 1):
            self._name(path, noun, valid)

    def _parts_and_modes(
        self, section: str, parts: dict[str, list[str]], *more: str, noun: str = "mode"
    ) -> None:
        for path in self._paths(section, 1, *more):
            if self._name(path, "part", parts):
                for mode in self._mapping(path):
                    self._name((*path, mode), noun, parts[str(path[-1])])

    def _factors(self, machine: Machine) -> None:
        for path in self._paths("factors", 1):
            if not self._name(path, "cause", machine.shared_causes):
                continue
            raised: dict[str, list[str]] = {}
            for known in machine.shared_causes[str(path[-1])].raises:
                raised.setdefault(known.part, []).extend(known.modes)
            for part in self._mapping(path):
                if self._name((*path, part), "part", raised):
                    for mode in self._mapping((*path, part)):
                        self._name((*path, part, mode), "mode", raised[part])

    def _sums(self, machine: Machine) -> None:
        for path in self._paths("rates", 1):
            if path[-1] not in machine.parts:
                continue
            learnt = self._mapping(path)
            modes = machine.parts[path[-1]].modes.values()
            total = sum(
                float(learnt[mode.id]["per_1000_jobs"]) if mode.id in learnt else mode.per_1000_jobs
                for mode in modes
            )
            if total > 1000.0:
                message = f"its modes add up to {total:g} per 1000 jobs; expected at most 1000"
                self._say(path, message, "prior_sum", key=True)
