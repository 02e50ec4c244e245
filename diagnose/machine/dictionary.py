"""The dictionaries of part kinds and test kinds: defaults with units and sources."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from diagnose.machine.document import read_document
from diagnose.machine.frozen import frozen

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class ModeKind:
    """A failure mode of a kind of part; fields as in `diagnose.machine.model.Mode`.

    Attributes:
        ohms_factor: multiplies the part's own ohms; used when `ohms` is None.
        at_best: level index, or `"lowest"` for the last level of the part's function.
    """

    title: str
    source: str
    ohms: float | None = None
    ohms_factor: float | None = None
    open: bool = False
    loose: bool = False
    short_ohms: float | None = None
    always_closed: bool = False
    never_closed: bool = False
    emf_volts: float | None = None
    coil_ohms: float | None = None
    coil_open: bool = False
    pull_in_volts: float | None = None
    at_best: int | Literal["lowest"] = 0
    visible_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class PartDefaults:
    """What a kind of part is worth when the file does not say; volts are for 12 V machines."""

    conducts: bool
    source: str
    modes: Mapping[str, ModeKind]
    ohms: float | None = None
    emf_volts: float = 0.0
    coil_ohms: float = 0.0
    contact_ohms: float | None = None
    pull_in_volts: float = 0.0
    drop_out_volts: float = 0.0
    supply_ohms: float = 0.0
    output_ohms: float | None = None


@dataclass(frozen=True, slots=True)
class OutcomeKind:
    """A default outcome: title, and lower bound in the test's unit (None: no bound)."""

    title: str
    at_least: float | None = None


@dataclass(frozen=True, slots=True)
class TestDefaults:
    """What a kind of test yields, and how exactly, when the file does not say."""

    __test__ = False

    tool: str
    slip_percent: float
    outcomes: Mapping[str, OutcomeKind]
    source: str
    unit: str | None = None
    scales: bool = False
    low: float = 0.0
    high: float = 0.0
    spread: float = 0.0
    spread_percent: float = 0.0
    lamp_ohms: float | None = None
    unsteady: bool = False
    parts_outcomes: Mapping[str, OutcomeKind] = field(default_factory=dict)
    cause_outcomes: Mapping[str, OutcomeKind] = field(default_factory=dict)


def _table(name: str) -> dict[str, Any]:
    text = resources.files("diagnose.datasets").joinpath(name).read_text("utf-8")
    data: dict[str, Any] = read_document(text).data
    return data


@cache
def part_kinds() -> Mapping[str, PartDefaults]:
    """Kind of part -> its defaults."""
    table = _table("part_kinds.yaml")
    return MappingProxyType({kind: frozen(PartDefaults, row) for kind, row in table.items()})


@cache
def test_kinds() -> Mapping[str, TestDefaults]:
    """Kind of test -> its defaults."""
    table = {kind: row for kind, row in _table("test_kinds.yaml").items() if kind != "unsteady"}
    return MappingProxyType({kind: frozen(TestDefaults, row) for kind, row in table.items()})


test_kinds.__test__ = False  # type: ignore[attr-defined]


@cache
def unsteady_title() -> str:
    """Words for the outcome seen when a loose joint comes and goes."""
    title: str = _table("test_kinds.yaml")["unsteady"]["title"]
    return title
