"""A look further ahead from a job: how long it still takes, what to do, what comes then."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

from diagnose.decision.belief import belief_of
from diagnose.decision.look_further import Start, look_further
from diagnose.decision.ready_problems import ready_problems
from diagnose.decision.rollout import FOLLOWED_THROUGH
from diagnose.errors import ValueOutOfRangeError
from diagnose.inference.unkeyed import Unkeyed

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

    from diagnose.advice.situation import Situation
    from diagnose.decision.likely_steps import Step
    from diagnose.decision.look_further import LookAhead
    from diagnose.decision.problem import DecisionProblem
    from diagnose.decision.ready_problems import Progress, ReadyProblems
    from diagnose.machine.model import Machine
    from diagnose.network.ready import ReadyMachine

LEAST_SECONDS, MOST_SECONDS = 0.001, 60.0

Kind = Literal["test", "repair", "escalate"]

GONE, STILL_THERE = "gone", "still_there"
"""What the functional check after a repair shows."""


@dataclass(frozen=True, slots=True)
class PossibleAction:
    """One thing that could be done now, and what it leads to.

    Attributes:
        action: `test`, `repair` or `escalate`.
        target: test id, `part.repair`, or empty.
        minutes: expected, itself included, to the end of the job.
        error_minutes: standard error of that.
    """

    action: Kind
    target: str
    minutes: float
    error_minutes: float


@dataclass(frozen=True, slots=True)
class LikelyStep:
    """A step of the likeliest way from here.

    Attributes:
        action, target: as in `PossibleAction`.
        outcome: the likeliest outcome of the test; for a repair `gone` or `still_there`; empty for
            handing over.
        probability: that all comes this way, up to and with this outcome.
    """

    action: Kind
    target: str
    outcome: str
    probability: float


@dataclass(frozen=True, slots=True)
class FurtherLook:
    """How a job is likely to go on.

    Attributes:
        minutes_left: expected minutes until the complaint is verified gone or the job handed over.
        error_minutes: standard error of that; 0 when every outcome was followed.
        p90_minutes: nine jobs in ten are over by then.
        p90_error_minutes: standard error of that.
        actions: the leading actions; the first is what one test ahead says.
        best: the one to do; the first unless another is better beyond the error.
        and_then: the likeliest steps, the best action first, then at most two more.
        jobs: jobs played to find out; 0 when every outcome was followed.
        seconds: time it took.
    """

    minutes_left: float
    error_minutes: float
    p90_minutes: float
    p90_error_minutes: float
    actions: tuple[PossibleAction, ...]
    best: PossibleAction
    and_then: tuple[LikelyStep, ...]
    jobs: int
    seconds: float

    def to_dict(self) -> dict[str, Any]:
        """Plain lists and dictionaries, ready for JSON."""
        return asdict(self)


def look_further_from(
    ready: ReadyMachine,
    situation: Situation,
    skipped: Collection[str] = (),
    budget_seconds: float = 0.05,
    progress: Progress | None = None,
) -> FurtherLook:
    """Look further ahead than one test.

    Args:
        ready: the machine as it came to the shop.
        situation: what is known, open and at hand.
        skipped: tests that are not to be proposed.
        budget_seconds: time to use. The first look at a machine also has to work out or read its
            fault sets, which is not counted.
        progress: called with a sentence before that.

    Raises:
        ClashError: the findings cannot all be true.
        ValueOutOfRangeError: a budget below a millisecond or above a minute.
    """
    if not LEAST_SECONDS <= budget_seconds <= MOST_SECONDS:
        raise ValueOutOfRangeError(
            "budget_seconds", budget_seconds, LEAST_SECONDS, MOST_SECONDS, "s"
        )
    problems = ready_problems(ready.machine, progress)
    _load_kernels(Unkeyed((problems, situation.complaint)))
    began = time.perf_counter()
    problem = problems.problem(situation.complaint)
    past = [one.test for epoch in situation.past for one in epoch.findings]
    cannot = [one.id for one in ready.machine.tests.values() if not situation.at_hand(one.tool)]
    start = Start(
        belief=belief_of(problems, situation),
        open_areas=_bits(problem.area_names, situation.open_areas),
        done=_bits(problem.tests.names, (one.test for one in situation.findings)),
        before=_bits(problem.tests.names, past),
        never=_bits(problem.tests.names, {*cannot, *skipped}),
    )
    left = budget_seconds - (time.perf_counter() - began)
    found = look_further(
        problem,
        start=start,
        known=problems.known[situation.complaint],
        budget_seconds=left,
        follow_up_to=FOLLOWED_THROUGH,
    )
    return _told(ready.machine, problem, found, time.perf_counter() - began)


@lru_cache(maxsize=1)
def _load_kernels(asked: Unkeyed[tuple[ReadyProblems, str]]) -> None:
    """Read the compiled kernels from disk, or compile them, before the clock runs."""
    problems, complaint = asked.value
    look_further(problems.problem(complaint), known=problems.known[complaint], budget_seconds=0.0)


def _bits(names: Sequence[str], chosen: Iterable[str]) -> int:
    place = {name: number for number, name in enumerate(names)}
    return sum(1 << place[name] for name in set(chosen))


def _told(
    machine: Machine, problem: DecisionProblem, found: LookAhead, seconds: float
) -> FurtherLook:
    actions = tuple(
        PossibleAction(*named(problem, one.action), one.minutes, one.error) for one in found.actions
    )
    names = [one.action for one in found.actions]
    return FurtherLook(
        minutes_left=found.minutes_left,
        error_minutes=found.error,
        p90_minutes=found.p90_minutes,
        p90_error_minutes=found.p90_error,
        actions=actions,
        best=actions[names.index(found.best)],
        and_then=tuple(_step(machine, problem, one) for one in found.after_best),
        jobs=found.jobs,
        seconds=seconds,
    )


def named(problem: DecisionProblem, action: str) -> tuple[Kind, str]:
    """What kind of action a name stands for, and what it is done to."""
    if action in problem.tests.names:
        return "test", action
    return ("repair", action) if action in problem.repairs.names else ("escalate", "")


def _step(machine: Machine, problem: DecisionProblem, one: Step) -> LikelyStep:
    kind, target = named(problem, one.action)
    outcome = ""
    if kind == "test":
        outcome = machine.tests[target].outcomes[one.outcome].id
    elif kind == "repair":
        outcome = GONE if one.outcome else STILL_THERE
    return LikelyStep(kind, target, outcome, min(one.probability, 1.0))
