"""A look further ahead from a job: how long it still takes, what to do, what comes then."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

from diagnose.ahead.desk import Desk
from diagnose.ahead.look_further import FEWEST, look_further
from diagnose.ahead.rollout import FOLLOWED_THROUGH
from diagnose.errors import ValueOutOfRangeError
from diagnose.rule.costs import HAND_OVER

if TYPE_CHECKING:
    from collections.abc import Collection

    from diagnose.ahead.likely_steps import Step
    from diagnose.ahead.look_further import LookAhead
    from diagnose.belief.situation import Situation
    from diagnose.rule.costs import Costs
    from diagnose.rule.prepared import Prepared

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
    prepared: Prepared,
    situation: Situation,
    skipped: Collection[str] = (),
    budget_seconds: float = 0.05,
    fewest_jobs: int = FEWEST,
) -> FurtherLook:
    """Look further ahead than one test.

    Args:
        prepared: the machine.
        situation: what is known, open and at hand.
        skipped: tests that are not to be proposed.
        budget_seconds: time to use.
        fewest_jobs: jobs played in any case.

    Raises:
        ClashError: the findings cannot all be true.
        ValueOutOfRangeError: a budget below a millisecond or above a minute.
    """
    if not LEAST_SECONDS <= budget_seconds <= MOST_SECONDS:
        raise ValueOutOfRangeError(
            "budget_seconds", budget_seconds, LEAST_SECONDS, MOST_SECONDS, "s"
        )
    began = time.perf_counter()
    found = look_further(
        Desk(prepared, situation, skipped),
        budget_seconds=budget_seconds,
        follow_up_to=FOLLOWED_THROUGH,
        fewest=fewest_jobs,
    )
    return _told(prepared, found, time.perf_counter() - began)


def _told(prepared: Prepared, found: LookAhead, seconds: float) -> FurtherLook:
    costs = prepared.costs
    actions = tuple(
        PossibleAction(*named(costs, ahead.action), ahead.minutes, ahead.error)
        for ahead in found.actions
    )
    names = [ahead.action for ahead in found.actions]
    return FurtherLook(
        minutes_left=found.minutes_left,
        error_minutes=found.error,
        p90_minutes=found.p90_minutes,
        p90_error_minutes=found.p90_error,
        actions=actions,
        best=actions[names.index(found.best)],
        and_then=tuple(_step(prepared, step) for step in found.after_best),
        jobs=found.jobs,
        seconds=seconds,
    )


def named(costs: Costs, action: str) -> tuple[Kind, str]:
    """What kind of action a name stands for, and what it is done to."""
    if action in costs.tests.names:
        return "test", action
    return ("repair", action) if action != HAND_OVER else ("escalate", "")


def _step(prepared: Prepared, step: Step) -> LikelyStep:
    kind, target = named(prepared.costs, step.action)
    outcome = ""
    if kind == "test":
        outcome = prepared.machine.tests[target].outcomes[step.outcome].id
    elif kind == "repair":
        outcome = GONE if step.outcome else STILL_THERE
    return LikelyStep(kind, target, outcome, min(step.probability, 1.0))
