"""The state of a job as the engine needs it: what was found, what is open, what is at hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from diagnose.network.readings import reading_likelihood, slip_density
from diagnose.network.temperature import REFERENCE_CELSIUS, volts_to_add
from diagnose.network.words import NO, YES, check_name, past_name

if TYPE_CHECKING:
    from collections.abc import Collection

    import numpy as np
    from numpy.typing import NDArray

    from diagnose.inference.findings import Findings
    from diagnose.network.ready import ReadyMachine


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


def named_findings(situation: Situation, folded: int = 0) -> tuple[tuple[str, Finding], ...]:
    """All findings in the order recorded, each with the node that it is a state of.

    Args:
        situation: what is known.
        folded: repairs whose findings are no evidence of their own any more.
    """
    past = [
        (past_name(number, one.test), one)
        for number, epoch in enumerate(situation.past[folded:])
        for one in epoch.findings
    ]
    return (*past, *((one.test, one) for one in situation.findings))


def evidence_of(situation: Situation, folded: int = 0) -> dict[str, str]:
    """The complaint, the checks after repairs and the findings that are outcomes: node -> state.

    After folding the network begins with the last folded repair, and what the check after it
    showed stands for the complaint.
    """
    checks = {number: epoch.repair.gone for number, epoch in enumerate(situation.past)}
    gone = checks[folded - 1] if folded else False
    found = {} if gone is None else {situation.complaint: NO if gone else YES}
    for number in range(folded, len(situation.past)):
        if checks[number] is not None:
            found[check_name(number - folded + 1)] = NO if checks[number] else YES
    found |= {
        node: one.outcome
        for node, one in named_findings(situation, folded)
        if one.reading is None and one.sure == 1.0
    }
    return found


def weights_of(ready: ReadyMachine, situation: Situation) -> dict[str, list[float]]:
    """The outcomes that are not quite sure: node -> weights over its outcomes."""
    found = {}
    for node, one in named_findings(situation, ready.folded):
        if one.reading is None and one.sure < 1.0:
            outcomes = ready.machine.tests[one.test].outcomes
            rest = (1.0 - one.sure) / len(outcomes)
            found[node] = [
                rest + (one.sure if outcome.id == one.outcome else 0.0) for outcome in outcomes
            ]
    return found


def readings_of(ready: ReadyMachine, situation: Situation) -> dict[str, NDArray[np.float64]]:
    """The findings that are numbers: node -> likelihood over its parents' combinations."""
    found = {}
    for node, one in named_findings(situation, ready.folded):
        if one.reading is not None:
            test = ready.machine.tests[one.test]
            shift = volts_to_add(ready.machine, test, situation.temperature_celsius)
            density = reading_likelihood(
                test,
                one.reading + shift,
                ready.means[node],
                ready.deviations[node],
                ready.shares[node],
            )
            found[node] = one.sure * density + (1.0 - one.sure) * slip_density(test)
    return found


def encode(ready: ReadyMachine, situation: Situation, leave_out: Collection[str] = ()) -> Findings:
    """All findings, ready for propagation.

    Args:
        ready: the machine as the situation has it; see `diagnose.advice.epochs.ready_for`.
        situation: what is known.
        leave_out: nodes whose outcome is not to count.
    """
    seen = evidence_of(situation, ready.folded)
    return ready.compiled.encode(
        {node: state for node, state in seen.items() if node not in leave_out},
        likelihoods={**ready.soft, **weights_of(ready, situation)},
        parent_likelihoods=readings_of(ready, situation),
    )


def last_check(situation: Situation, folded: int) -> str:
    """Node of the check after the last repair; the complaint's own when that repair is folded."""
    number = len(situation.past) - folded
    return check_name(number) if number else situation.complaint
