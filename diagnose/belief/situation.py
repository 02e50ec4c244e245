"""The state of a job as the engine needs it: what was found, what is open, what is at hand."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from diagnose.faults.outcomes import TRY
from diagnose.faults.temperature import REFERENCE_CELSIUS

if TYPE_CHECKING:
    from diagnose.machine.model import Machine


@dataclass(frozen=True, slots=True)
class Finding:
    """A recorded finding.

    Attributes:
        test: id of the test.
        outcome: the outcome; for a reading, the one it stands for.
        reading: the number in the test's unit, None when an outcome was given.
        sure: how sure it is, 1 for seen with one's own eyes; what the customer told on the
            telephone is worth less. The rest is spread over all outcomes (outcome confidence,
            IEEE 1232).
        confirmed: looked at again with the same result, so not to be doubted again.
        others: outcomes that other looks at it gave.
    """

    test: str
    outcome: str
    reading: float | None = None
    sure: float = 1.0
    confirmed: bool = False
    others: tuple[str, ...] = ()

    def looked_again(self, again: Finding) -> Finding:
        """The finding after one more look; what was seen twice stands against what was seen once.

        Args:
            again: what that look gave.
        """
        if again.outcome == self.outcome:
            return replace(self, confirmed=True)
        if self.confirmed:
            return replace(self, others=(*self.others, again.outcome))
        left = list(self.others)
        seen_before = again.outcome in left
        if seen_before:
            left.remove(again.outcome)
        return replace(again, confirmed=seen_before, others=(*left, self.outcome))


@dataclass(frozen=True, slots=True)
class RepairDone:
    """A repair that was carried out.

    Attributes:
        part: id of the part.
        repair: id of the repair.
        check: what trying the machine after it showed: `runs`, the id of the complaint that it
            shows now, `other`; None when nobody looked.
    """

    part: str
    repair: str
    check: str | None = None


@dataclass(frozen=True, slots=True)
class Epoch:
    """A stretch of a job that ended with a repair.

    Attributes:
        findings: what was found in it, in the order recorded, at most one per test.
        repair: the repair that ended it.
    """

    findings: tuple[Finding, ...]
    repair: RepairDone


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known and what is at hand.

    Attributes:
        complaint: what the customer reported.
        findings: since the last repair, in the order recorded, at most one per test.
        open_areas: areas that stand open.
        tools: tools at hand; empty when every tool is.
        temperature_celsius: of the battery.
        past: what was found before each repair, and the repair; the oldest first.
    """

    complaint: str
    findings: tuple[Finding, ...] = ()
    open_areas: frozenset[str] = frozenset()
    tools: frozenset[str] = frozenset()
    temperature_celsius: float = REFERENCE_CELSIUS
    past: tuple[Epoch, ...] = ()

    def at_hand(self, tool: str) -> bool:
        """Whether a tool can be used."""
        return not self.tools or tool == "none" or tool in self.tools


def seen_to_do(machine: Machine, situation: Situation) -> str:
    """The complaint that the machine was last seen to show, else the one reported."""
    told = situation.complaint
    for epoch in situation.past:
        told = _tried(machine, epoch.findings, told)
        check = epoch.repair.check
        told = check if check is not None and check in machine.complaints else told
    return _tried(machine, situation.findings, told)


def _tried(machine: Machine, findings: tuple[Finding, ...], told: str) -> str:
    for finding in findings:
        if machine.tests[finding.test].kind == TRY and finding.outcome in machine.complaints:
            told = finding.outcome
    return told


def tried_situation(machine: Machine, complaint: str) -> Situation:
    """A job whose complaint was told, and seen by who tried the machine, if it shows on trying."""
    trying = [
        Finding(test.id, complaint)
        for test in machine.tests.values()
        if test.kind == TRY and machine.complaints[complaint].on_trying
    ]
    return Situation(complaint, tuple(trying[:1]))
