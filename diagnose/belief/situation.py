"""The state of a job as the engine needs it: what was found, what is open, what is at hand."""

from __future__ import annotations

from dataclasses import dataclass

from diagnose.faults.temperature import REFERENCE_CELSIUS


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
        confirmed: looked at a second time with the same result, so not to be doubted again.
    """

    test: str
    outcome: str
    reading: float | None = None
    sure: float = 1.0
    confirmed: bool = False


@dataclass(frozen=True, slots=True)
class RepairDone:
    """A repair that was carried out.

    Attributes:
        part: id of the part.
        repair: id of the repair.
        gone: what the functional check after it showed: True when the complaint was gone, False
            when it was still there, None when nobody looked.
    """

    part: str
    repair: str
    gone: bool | None = None


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
        seen: whether the machine was seen to do what the customer reported.
    """

    complaint: str
    findings: tuple[Finding, ...] = ()
    open_areas: frozenset[str] = frozenset()
    tools: frozenset[str] = frozenset()
    temperature_celsius: float = REFERENCE_CELSIUS
    past: tuple[Epoch, ...] = ()
    seen: bool = False

    def at_hand(self, tool: str) -> bool:
        """Whether a tool can be used."""
        return not self.tools or tool == "none" or tool in self.tools
