"""What the engine answers: plain frozen data, the same for Python, command line and HTTP."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

from diagnose.advice.plain import plain
from diagnose.rule.costs import parted

if TYPE_CHECKING:
    from collections.abc import Mapping

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
        confirmed: whether it was looked at again and stands.
        others: outcomes that other looks at it gave.
    """

    test: str
    outcome: str
    reading: float | None
    unit: str | None
    surprise_bits: float
    repairs_before: int = 0
    confirmed: bool = False
    others: tuple[str, ...] = ()


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
        cautions: ids of what to mind; their texts stand in `Advice.cautions`.
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
class LikelyRepair:
    """A repair that may well end the complaint.

    Attributes:
        chance: that it does, if anything is wrong.
        minutes: labour, with opening what is not open yet (and closing it at the end) and trying
            the machine after it.
        price_eur: of parts and material.
        minutes_to_go: expected after it, without further tests, until the machine runs or is
            handed over; none where it helps.
        licensed: whether only a licensed hand may do it, so that it is handed over.
        cautions: ids of what to mind; their texts stand in `Advice.cautions`.
    """

    part: str
    repair: str
    title: str
    chance: float
    minutes: float
    price_eur: float
    minutes_to_go: float
    licensed: bool
    cautions: tuple[str, ...]


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
        machine_hash: sha256 of the machine's file, hex.
        priors_version: of the priors learnt from orders that it rests on; empty for the file's own.
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
        likely_repairs: the repairs that may well end the complaint, the likeliest first; none when
            the job is done.
        cautions: id -> text of all that tests and likely repairs name.
    """

    machine: str
    machine_version: str
    machine_hash: str
    priors_version: str
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
    likely_repairs: tuple[LikelyRepair, ...]
    cautions: Mapping[str, str]

    def leading(self, suspects: int | None = None, tests: int | None = None) -> Advice:
        """The same with only so many suspects, and tests in each list, the first ones; None: all.

        Only the cautions that are still named stay.
        """
        cut = replace(
            self,
            suspects=self.suspects[:suspects],
            tests=self.tests[:tests],
            while_open=self.while_open[:tests],
        )
        named = named_cautions(cut.tests, cut.likely_repairs)
        return replace(
            cut, cautions={name: text for name, text in cut.cautions.items() if name in named}
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain lists and dictionaries, ready for JSON."""
        found: dict[str, Any] = plain(self)
        found["verdict"] |= parted(self.verdict.action, self.verdict.target)
        return found

    def to_frame(self) -> pd.DataFrame:
        """The tests as a table, one row each, ranked."""
        import pandas as pd  # noqa: PLC0415 - half a second that only analysts need

        return pd.DataFrame(
            plain(test) | {"outcomes": {end.outcome: end.probability for end in test.outcomes}}
            for test in self.tests
        )


def named_cautions(
    tests: tuple[TestAdvice, ...], repairs: tuple[LikelyRepair, ...]
) -> frozenset[str]:
    """Ids of all cautions that tests and repairs name."""
    lists = (*(test.cautions for test in tests), *(repair.cautions for repair in repairs))
    return frozenset(name for names in lists for name in names)
