"""The kinds of steps: one frozen record each, told apart by `kind`."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, ClassVar, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

RUNS, SAME, OTHER = "runs", "same", "other"
"""What trying the machine shows besides a complaint; as `diagnose.machine.model` has them."""

ENDINGS = ("runs", "handed_over", "given_up", "no_fault_found")
"""How a job ends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What every step has.

    Attributes:
        kind: which kind it is.
        at: when, with an offset; None where nobody noted it.
        by: who; empty where nobody noted it.
        minutes: of labour that it took, None where nobody noted them.
    """

    kind: ClassVar[str]
    at: datetime | None = None
    by: str = ""
    minutes: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Told(Step):
    """The customer means another complaint."""

    kind: ClassVar[str] = "told"
    complaint: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Found(Step):
    """What a test gave: an outcome, or a reading.

    Attributes:
        outcome: id of the outcome; beside a reading, the one that it stands for.
        reading: the number read; it goes before the outcome.
        unit: of the reading; None for the test's own.
        sure: above 0 to 1; less than 1 for what was told or seen in passing.
    """

    kind: ClassVar[str] = "finding"
    test: str
    outcome: str | None = None
    reading: float | None = None
    unit: str | None = None
    sure: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAgain(Step):
    """A second look at a finding; the fields are those of `Found`."""

    kind: ClassVar[str] = "looked_again"
    test: str
    outcome: str | None = None
    reading: float | None = None
    unit: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawn(Step):
    """A finding taken back."""

    kind: ClassVar[str] = "withdrawn"
    test: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside(Step):
    """A test that cannot be done now, and why."""

    kind: ClassVar[str] = "set_aside"
    test: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaOpened(Step):
    """An area, and what it lies in, stands open."""

    kind: ClassVar[str] = "area_opened"
    area: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaClosed(Step):
    """An area, and what lies in it, is closed again."""

    kind: ClassVar[str] = "area_closed"
    area: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Tools(Step):
    """The tools at hand from now on; none named means all of them."""

    kind: ClassVar[str] = "tools"
    tools: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Repaired(Step):
    """A repair, and what trying the machine after it showed.

    Attributes:
        fitted_new: whether a new part went in; None until it is settled from the repair.
        shown: `runs`, `same`, a complaint or `other`; None where nobody has tried yet.
    """

    kind: ClassVar[str] = "repaired"
    part: str
    repair: str
    fitted_new: bool | None = None
    shown: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried(Step):
    """What trying the machine after the last repair showed, as `shown` of `Repaired`."""

    kind: ClassVar[str] = "tried"
    shown: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HandedOver(Step):
    """The machine goes to the maker's specialist."""

    kind: ClassVar[str] = "handed_over"
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Closed(Step):
    """The end of a job, as the repair order keeps it.

    Attributes:
        ended: one of `ENDINGS`.
        cause_part, cause_mode: what was at fault; None where nobody knows.
        cause_seen: whether the broken part itself was seen; None where there is no cause.
        note: what is to be added, such as what had made it fail.
        labour_minutes: in all; None for the minutes of the steps together.
        comeback_of: id of the earlier order that this one is a comeback of; None for the opening's.
    """

    kind: ClassVar[str] = "closed"
    ended: str
    cause_part: str | None = None
    cause_mode: str | None = None
    cause_seen: bool | None = None
    note: str = ""
    labour_minutes: float | None = None
    comeback_of: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reopened(Step):
    """A closed or handed-over job is worked on again."""

    kind: ClassVar[str] = "reopened"
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved(Step):
    """The job goes on with another version of the machine file, or other priors.

    Attributes:
        machine_hash: content hash of the machine file.
        machine_version: its version.
        archive_hash: content hash of the machine as it was read.
        priors_hash: content hash of the priors in use; None for the file's own.
    """

    kind: ClassVar[str] = "moved"
    machine_hash: str
    machine_version: str
    archive_hash: str
    priors_hash: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Undone(Step):
    """The latest step that is not taken back yet is taken back; where there is none, nothing is."""

    kind: ClassVar[str] = "undone"


AnyStep: TypeAlias = (
    Told
    | Found
    | LookedAgain
    | Withdrawn
    | SetAside
    | AreaOpened
    | AreaClosed
    | Tools
    | Repaired
    | Tried
    | HandedOver
    | Closed
    | Reopened
    | Moved
    | Undone
)

KINDS: Mapping[str, type[AnyStep]] = MappingProxyType(
    {
        made.kind: made
        for made in (
            *(Told, Found, LookedAgain, Withdrawn, SetAside, AreaOpened, AreaClosed, Tools),
            *(Repaired, Tried, HandedOver, Closed, Reopened, Moved, Undone),
        )
    }
)
"""Kind -> its record, in the order of `datasets/columns.csv`."""
