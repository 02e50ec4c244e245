"""Parts, tests, areas and numbers in the words of the machine file."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from diagnose.network.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from diagnose.advice.advice import RecordedFinding, RecordedRepair
    from diagnose.machine.model import Machine, Repair

NONE_OF_THESE = "Something that this machine's file does not list"
NO_TOOL = "none"

OVER_RANGE_OHMS = 2e7
"""Above this a hand meter shows no number. Common practice."""


ACTIONS: Mapping[str, str] = MappingProxyType(
    {
        "test": "Do next",
        "recheck": "Do again",
        "repair": "Repair",
        "escalate": "Hand over",
        "done": "Done",
    }
)
"""Headings of the verdicts."""


def fault_words(machine: Machine, part: str, mode: str) -> str:
    """A part and how it failed, e.g. `Battery: flat`."""
    if part == UNLISTED or part not in machine.parts:
        return NONE_OF_THESE
    one = machine.parts[part]
    return f"{one.title}: {one.modes[mode].title if mode in one.modes else mode}"


def part_words(machine: Machine, part: str) -> str:
    """Title of a part."""
    return machine.parts[part].title if part in machine.parts else NONE_OF_THESE


def outcome_words(machine: Machine, test: str, outcome: str) -> str:
    """Title of an outcome of a test."""
    found = (one.title for one in machine.tests[test].outcomes if one.id == outcome)
    return next(found, outcome)


def result_words(machine: Machine, finding: RecordedFinding) -> str:
    """What a finding says, e.g. `12.4 V (12.4 V or more)`."""
    found = outcome_words(machine, finding.test, finding.outcome)
    if finding.reading is None or finding.unit is None:
        return found
    return f"{reading_words(finding.reading, finding.unit)} ({found})"


def area_words(machine: Machine, areas: Iterable[str]) -> str:
    """Titles of areas, e.g. `Seat, Relay cover`."""
    return ", ".join(machine.areas[area].title for area in areas)


def caution_texts(machine: Machine, names: Iterable[str]) -> tuple[str, ...]:
    """Texts of the cautions named, in order."""
    return tuple(machine.cautions[name].text for name in names)


def minutes_words(minutes: float) -> str:
    """Minutes to a tenth, e.g. `2.5 min`."""
    return f"{minutes:.1f} min"


def percent(probability: float) -> str:
    """A probability as a percentage of at most five places, never rounded up to certainty."""
    if 0.9995 <= probability < 1.0:
        return ">99.9 %"
    if 0.0 < probability < 0.0005:
        return "<0.1 %"
    return f"{100.0 * probability:.1f} %"


def reading_words(value: float, unit: str) -> str:
    """A reading as a meter shows it: three digits, with the prefix that suits."""
    if unit == "ohm" and value >= OVER_RANGE_OHMS:
        return "open, over the meter's range"
    for prefix, factor in (("M", 1e6), ("k", 1e3)):
        if unit == "ohm" and abs(value) >= factor:
            return f"{value / factor:.3g} {prefix}{unit}"
    if 0.0 < abs(value) < 0.1:
        return f"{value * 1e3:.3g} m{unit}"
    return f"{value:.3g} {unit}"


def repair_of(machine: Machine, target: str) -> tuple[str, Repair] | None:
    """The part and repair that a verdict points at with `part.repair`; None for anything else."""
    part, _, name = target.partition(".")
    repairs = machine.parts[part].repairs if part in machine.parts else ()
    return next(((part, repair) for repair in repairs if repair.id == name), None)


def repair_words(machine: Machine, repair: RecordedRepair) -> str:
    """Part and repair, e.g. `Start relay: fit a new one`."""
    return f"{part_words(machine, repair.part)}: {repair.title}"


def check_words(gone: bool | None) -> str:
    """What the check after a repair showed."""
    if gone is None:
        return "not tried yet"
    return "the complaint is gone" if gone else "no change, the complaint is still there"


def folded_words(repairs: int) -> str:
    """That old findings count for less than they could."""
    which = "the first repair" if repairs == 1 else f"the first {repairs} repairs"
    return (
        f"What was found before {which} is too much to keep whole; each part keeps its own "
        f"probability from then, so the figures are near, not exact."
    )
