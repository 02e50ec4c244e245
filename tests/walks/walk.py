"""Whole jobs as they go at the bench, written down: what is wrong, what is told, what is expected.

How the limits were set. Each limit is labour: tests, repairs, opening and closing, the check after
each repair; the price of parts is not counted. First comes the work that nobody gets round: the
areas that have to be opened, the repair and its check, by the minutes in the machine file. On top
comes what a good technician takes to find the fault with lamp and meter: try it, look, listen,
then some readings where he stands anyway, and one wrong turn where the machine invites it. They
were set before any of these jobs had been played, and they stand whatever the program does.
Limits, and what counts as good work, are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ruamel.yaml import YAML

if TYPE_CHECKING:
    from collections.abc import Mapping

FOLDER = Path(__file__).parent

RUNS, HANDED_OVER = "runs", "handed_over"
"""How a job may end: it runs and nothing of what was wrong is left, or somebody else gets it."""


@dataclass(frozen=True, slots=True)
class Slip:
    """A test whose first answer is misread.

    Attributes:
        misread: test -> the wrong outcome; only the first of these that is done is misread.
        in_passing: whether the technician does the first of them before he asks for advice.
    """

    misread: Mapping[str, str]
    in_passing: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Walk:
    """One job.

    Attributes:
        id: its name.
        machine: id of the machine.
        told: complaint in the customer's words, which may be the wrong ones.
        does: complaint that the machine shows when it is tried; `runs` where it starts then.
        faults: what is wrong, `part.mode` each.
        causes: shared causes that are there.
        blown: fuses that a short has blown.
        apart: whether a loose joint has no contact just now; else it has while nobody moves it.
        slip: what is misread, if anything.
        end: `runs` or `handed_over`.
        repairs: `part.repair` each; all of them have to be done.
        may_fit: parts of which a new one, or a new length of wire, may be fitted.
        may_stay: faults that may be left, since it runs with them.
        cleared: groups of tests; before it is handed over one of each group has to be done.
        limit_minutes: labour at most.
        why: of the limit.
    """

    id: str
    machine: str
    told: str
    does: str
    faults: tuple[str, ...]
    end: str
    limit_minutes: float
    why: str
    causes: tuple[str, ...] = ()
    blown: tuple[str, ...] = ()
    apart: bool = False
    slip: Slip | None = None
    repairs: tuple[str, ...] = ()
    may_fit: tuple[str, ...] = ()
    may_stay: tuple[str, ...] = ()
    cleared: tuple[tuple[str, ...], ...] = ()


@cache
def all_walks() -> tuple[Walk, ...]:
    """Every walk, file by file.

    Raises:
        TypeError: an entry has a field too many or too few.
    """
    files = sorted(FOLDER.glob("*.yaml"))
    return tuple(_walk(entry) for file in files for entry in YAML(typ="safe").load(file))


def _walk(entry: dict[str, Any]) -> Walk:
    told: dict[str, Any] = {}
    for name, value in entry.items():
        told[name] = tuple(value) if isinstance(value, list) else value
    if "slip" in told:
        told["slip"] = Slip(**told["slip"])
    if "cleared" in told:
        told["cleared"] = tuple(tuple(group) for group in told["cleared"])
    return Walk(**told)
