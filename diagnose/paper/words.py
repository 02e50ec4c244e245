"""Parts, tests, steps and numbers in words: everything that several commands say."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from diagnose.faults.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from diagnose.advice.advice import (
        Advice,
        OutcomeChance,
        RecordedFinding,
        RecordedRepair,
        TestAdvice,
    )
    from diagnose.advice.expect import Expectation
    from diagnose.ahead.look_further import FurtherLook, LikelyStep
    from diagnose.machine.model import Machine, Repair

NONE_OF_THESE = "Something that this machine's file does not list"
HAND_OVER = "Hand over"
NO_TOOL = "none"

SAID: Mapping[str, str] = MappingProxyType(
    {
        "none": "not at all",
        "lamp bright": "bright",
        "lamp dim": "dim",
        "lamp dark": "dark",
        "comes and goes while you watch": "comes and goes",
    }
)
"""Titles of outcomes as they are said: some say too little by themselves, some more than needed."""

ACTIONS: Mapping[str, str] = MappingProxyType(
    {
        "test": "Do next",
        "recheck": "Do again",
        "repair": "Repair",
        "escalate": HAND_OVER,
        "done": "Done",
    }
)
"""Headings of the verdicts."""

CHECKED: Mapping[str, str] = MappingProxyType(
    {
        "runs": "it starts and runs",
        "other": "it does something else",
        "not_yet": "it does not run yet",
    }
)
"""What trying the machine after a repair shows, or is expected to show."""

LAST_TENTH, LAST_MINUTE = 9.95, 99.5
"""Minutes from which on tenths, and single ones, are not said."""

LEAST_SHOWN = 0.005
"""Volts, amps or ohms below which what a hand meter shows means nothing. Common practice."""

OPEN = "open"
"""What a meter over its range stands for."""

OVER_RANGE_OHMS = 2e7
"""Above this a hand meter shows no number. Common practice."""

ANYWAY = 1.05
"""From this ratio on it is said that the repair will need the area too. Estimate."""

TOLD_MASS = 0.005
"""What an answer did not look at is spoken of from this probability on."""


# Numbers


def count_words(count: int, noun: str) -> str:
    """`1 test`, `2 tests`."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def minutes_number(minutes: float) -> str:
    """Minutes in two digits at most, e.g. `2.5`, `5`, `37`, `180`."""
    if minutes < LAST_TENTH:
        return f"{minutes:.1f}".removesuffix(".0")
    return f"{minutes:.0f}" if minutes < LAST_MINUTE else f"{10.0 * round(minutes / 10.0):.0f}"


def minutes_words(minutes: float) -> str:
    """The same with its unit, e.g. `2.5 min`."""
    return f"{minutes_number(minutes)} min"


def percent(probability: float) -> str:
    """A probability as a percentage of at most five places, never rounded up to certainty."""
    if 0.9995 <= probability < 1.0:
        return ">99.9 %"
    if 0.0 < probability < 0.0005:
        return "<0.1 %"
    return f"{100.0 * probability:.1f} %"


def share_words(share: float) -> str:
    """A share of many jobs, e.g. `64 %`; never rounded to none."""
    return "<1 %" if 0.0 < share < 0.005 else f"{100.0 * share:.0f} %"


def reading_words(value: float, unit: str) -> str:
    """A reading as it is read off a hand meter and said: `12.4 V`, `20 mV`, `0.01 ohm`, `open`."""
    if unit == "ohm" and value >= OVER_RANGE_OHMS:
        return OPEN
    if abs(value) < LEAST_SHOWN:
        return f"0 {unit}"
    for prefix, factor in (("M", 1e6), ("k", 1e3)):
        if unit == "ohm" and abs(value) >= factor:
            return f"{value / factor:.3g} {prefix}{unit}"
    if abs(value) < 0.1:
        return f"{value:.2f} {unit}" if unit == "ohm" else f"{value * 1e3:.0f} m{unit}"
    return f"{value:.2g} {unit}" if abs(value) < 1.0 else f"{value:.3g} {unit}"


def expected_words(expected: Expectation) -> str:
    """A predicted reading, e.g. `12.3 V (12.2 to 12.4)` or `12.1 V, or 0 V by turns`."""
    unit, value = expected.unit, expected.typical
    typical = reading_words(value, unit)
    if abs(expected.other - value) > max(expected.high - value, value - expected.low):
        return f"{typical}, or {reading_words(expected.other, unit)} by turns"
    low, high = reading_words(expected.low, unit), reading_words(expected.high, unit)
    if low == high:
        return typical
    least, _, own = low.rpartition(" ")
    return f"{typical} ({least if high.endswith(f' {own}') else low} to {high})"


# Things of the machine file


def machine_words(machine: Machine) -> str:
    """Title, id and version, and which priors learnt from orders are laid over it."""
    priors = f", priors {machine.priors_version}" if machine.priors_version else ""
    return f"{machine.title} ({machine.id}, version {machine.version}{priors})"


def part_words(machine: Machine, part: str) -> str:
    """Title of a part."""
    return machine.parts[part].title if part in machine.parts else NONE_OF_THESE


def fault_words(machine: Machine, part: str, mode: str) -> str:
    """A part and how it failed, e.g. `Battery: flat`."""
    if part == UNLISTED or part not in machine.parts:
        return NONE_OF_THESE
    known = machine.parts[part]
    return f"{known.title}: {known.modes[mode].title if mode in known.modes else mode}"


def outcome_words(machine: Machine, test: str, outcome: str) -> str:
    """An outcome of a test as it is said, e.g. `not at all`, `comes and goes`."""
    titles = (known.title for known in machine.tests[test].outcomes if known.id == outcome)
    title = next(titles, outcome)
    return SAID.get(title, title)


def area_words(machine: Machine, areas: Iterable[str]) -> str:
    """Titles of areas, e.g. `Seat, Relay cover`."""
    return ", ".join(machine.areas[area].title for area in areas)


def open_words(machine: Machine, opened: Iterable[str]) -> str:
    """Titles of the areas that stand open, in the order of the file; empty when none does."""
    held = set(opened)
    return area_words(machine, [area for area in machine.areas if area in held])


def caution_texts(machine: Machine, names: Iterable[str]) -> tuple[str, ...]:
    """Texts of the cautions named, in order."""
    return tuple(machine.cautions[name].text for name in names)


def tool_words(machine: Machine, tool: str) -> str:
    """`, Multimeter`; empty for bare hands."""
    return "" if tool == NO_TOOL else f", {machine.tools[tool].title}"


def effort_words(machine: Machine, test: TestAdvice) -> str:
    """What a test takes and tells, in one line."""
    opens = f", first: {area_words(machine, test.opens)}" if test.opens else ""
    gain = f"{test.gain_bits:.2f} bits, {test.bits_per_minute:.2f} a minute"
    if test.bits_per_added_minute > test.bits_per_minute * ANYWAY:
        gain += f", {test.bits_per_added_minute:.2f} a minute beyond what the repair opens anyway"
    return f"{minutes_words(test.minutes)}{tool_words(machine, test.tool)}{opens}; tells {gain}"


def repair_of(machine: Machine, target: str) -> tuple[str, Repair] | None:
    """The part and repair that a verdict points at with `part.repair`; None for anything else."""
    part, _, name = target.partition(".")
    repairs = machine.parts[part].repairs if part in machine.parts else ()
    return next(((part, repair) for repair in repairs if repair.id == name), None)


def tested(advice: Advice, test_id: str) -> TestAdvice | None:
    """What the advice says of a test; None when it cannot be done, or was done already."""
    return next((test for test in advice.tests if test.test == test_id), None)


def outcome_chances(advice: Advice, test_id: str) -> tuple[OutcomeChance, ...]:
    """Chances of a test's outcomes; empty where `tested` gives none."""
    test = tested(advice, test_id)
    return () if test is None else test.outcomes


# What was found and done


def history(advice: Advice) -> Iterator[RecordedFinding | RecordedRepair]:
    """Findings and repairs in the order they happened."""
    for number in range(len(advice.repairs) + 1):
        yield from (known for known in advice.findings if known.repairs_before == number)
        yield from advice.repairs[number : number + 1]


def result_words(machine: Machine, finding: RecordedFinding) -> str:
    """What a finding says, e.g. `12.4 V (12.4 V or more)`."""
    outcome = outcome_words(machine, finding.test, finding.outcome)
    if finding.reading is None or finding.unit is None:
        return outcome
    return f"{reading_words(finding.reading, finding.unit)} ({outcome})"


def repair_words(machine: Machine, repair: RecordedRepair) -> str:
    """Part and repair, e.g. `Start relay: fit a new one`."""
    return f"{part_words(machine, repair.part)}: {repair.title}"


def check_words(machine: Machine, check: str | None) -> str:
    """What trying the machine after a repair showed."""
    if check is None:
        return "not tried yet"
    if check in machine.complaints:
        return f"now: {machine.complaints[check].title}"
    return CHECKED[check]


def left_out_words(mass_left_out: float) -> str:
    """How much an answer did not look at; empty where it hardly matters."""
    if mass_left_out <= TOLD_MASS:
        return ""
    return f"{100.0 * mass_left_out:.1f} % of what could be wrong was not looked at."


# What comes


def action_words(machine: Machine, action: str, target: str) -> str:
    """An action in the words of the machine file."""
    repair = repair_of(machine, target)
    if repair is not None:
        return f"{part_words(machine, repair[0])}: {repair[1].title}"
    return machine.tests[target].title if action == "test" else HAND_OVER


def step_words(machine: Machine, step: LikelyStep) -> str:
    """One step with its likeliest outcome."""
    action = action_words(machine, step.action, step.target)
    if not step.outcome:
        return action
    seen = CHECKED.get(step.outcome, "")
    if step.action == "test":
        seen = outcome_words(machine, step.target, step.outcome)
    return f"{action}: {seen} ({percent(step.probability)})"


def mean_words(further: FurtherLook) -> str:
    """`about 44 min left`."""
    return f"about {minutes_words(further.minutes_left)} left"


def left_words(further: FurtherLook) -> str:
    """`about 44 min left (90 % under 76)`.

    Mean and ninetieth percentile are estimates of their own and may cross where few jobs were
    played; then only the mean is said.
    """
    under = minutes_number(further.p90_minutes)
    if float(under) <= float(minutes_number(further.minutes_left)):
        return mean_words(further)
    return f"{mean_words(further)} (90 % under {under})"


def error_words(further: FurtherLook) -> str:
    """How sure these numbers are, and what they rest on."""
    if further.jobs == 0:
        return "every outcome followed to its end"
    return (
        f"give or take {minutes_number(further.error_minutes)} and "
        f"{minutes_number(further.p90_error_minutes)}, "
        f"from {further.jobs} jobs played"
    )
