"""What the engine answers: plain frozen data, the same for Python, command line and HTTP."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    import pandas as pd

    from diagnose.belief.search import Search

Action = Literal["test", "repair", "recheck", "escalate", "done"]


@dataclass(frozen=True, slots=True)
class RecordedFinding:
    """A finding as it was recorded, and how far it surprised.

    Attributes:
        outcome: the outcome, or the one that the reading stands for.
        reading: the number read, in `unit`; both are None when an outcome was given.
        surprise_bits: -log2 of the probability of the outcome, given the findings before it.
        repairs_before: how many repairs had been done when it was found.
    """

    test: str
    outcome: str
    reading: float | None
    unit: str | None
    surprise_bits: float
    repairs_before: int = 0


@dataclass(frozen=True, slots=True)
class RecordedRepair:
    """A repair that was done, and what the check after it showed.

    Attributes:
        check: `runs`, the complaint that the machine showed then, or `other`; None when nobody
            tried.
        chance: how likely that was, by what was known before; None without a check.
    """

    part: str
    repair: str
    title: str
    check: str | None
    chance: float | None


@dataclass(frozen=True, slots=True)
class Suspect:
    """A failure mode of a part with its posterior probability."""

    part: str
    mode: str
    probability: float


@dataclass(frozen=True, slots=True)
class OutcomeChance:
    """One possible outcome of a test and its probability, given the findings."""

    outcome: str
    probability: float


@dataclass(frozen=True, slots=True)
class TestAdvice:
    """What one test would bring and cost now.

    Attributes:
        gain_bits: mutual information between its outcome and the state of the parts.
        minutes: labour, opening of what is not open yet (and closing it at the end) included.
        added_minutes: the same, with the opening of each area counted only by the probability that
            the repair will not have to open it anyway.
        bits_per_minute: gain divided by minutes.
        bits_per_added_minute: gain divided by added minutes; the ranking.
        opens: areas to be opened first, outermost first.
        worth_doing: whether doing it first is expected to save minutes to the verified repair, and
            it tells more per minute than trying the first repair would.
    """

    test: str
    title: str
    gain_bits: float
    minutes: float
    added_minutes: float
    bits_per_minute: float
    bits_per_added_minute: float
    tool: str
    opens: tuple[str, ...]
    outcomes: tuple[OutcomeChance, ...]
    cautions: tuple[str, ...]
    worth_doing: bool


@dataclass(frozen=True, slots=True)
class WhileOpen:
    """A test that costs less because the area it needs stands open.

    Attributes:
        saved_minutes: what opening the area, and closing it again, would add to its minutes.
        gain_bits, minutes, bits_per_minute, worth_doing: as in `TestAdvice`.
    """

    test: str
    title: str
    area: str
    gain_bits: float
    minutes: float
    bits_per_minute: float
    saved_minutes: float
    worth_doing: bool


@dataclass(frozen=True, slots=True)
class Verdict:
    """What to do now.

    Attributes:
        target: a test's id, `part.repair`, or empty.
        reason: why, in a sentence or two.
        notes: what else belongs to it: on handing over what was cleared and where to look next, on
            a machine that runs what is left to do before it goes out.
    """

    action: Action
    target: str
    reason: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Advice:
    """The answer for one state of a job.

    Attributes:
        log_evidence: natural logarithm of the probability (density, for readings) of all
            findings, the complaint included.
        mass_left_out: upper bound of the probability that the answer did not look at, given all
            that was found.
        search: `bounded` when that bound is below half a percent; `sampled` when an estimate of
            it with two standard errors added is; `budget` when neither could be reached with the
            sets that one answer may have solved, each of them being worth it.
        findings: all findings in the order recorded.
        repairs: all repairs in the order done.
        suspects: every failure mode, most likely first.
        tests: every test that can be done with the tools at hand and has not been done, most bits
            per added minute first.
        while_open: those of them that tell something and whose area stands open, most bits per
            minute first; the verdict may well be another one.
        closing_minutes: minutes to close what stands open at the end of the job.
    """

    machine: str
    machine_version: str
    complaint: str
    log_evidence: float
    mass_left_out: float
    search: Search
    findings: tuple[RecordedFinding, ...]
    repairs: tuple[RecordedRepair, ...]
    suspects: tuple[Suspect, ...]
    tests: tuple[TestAdvice, ...]
    while_open: tuple[WhileOpen, ...]
    closing_minutes: float
    verdict: Verdict

    def to_dict(self) -> dict[str, Any]:
        """Plain lists and dictionaries, ready for JSON."""
        return asdict(self)

    def to_frame(self) -> pd.DataFrame:
        """The tests as a table, one row each, ranked."""
        import pandas as pd  # noqa: PLC0415 - half a second that only analysts need

        return pd.DataFrame(
            asdict(test) | {"outcomes": {end.outcome: end.probability for end in test.outcomes}}
            for test in self.tests
        )
