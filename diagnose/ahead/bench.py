"""Where jobs stand and how they go on: what every policy, trial and card asks.

There are two: `diagnose.ahead.desk.Desk` over the whole belief of a machine, and
`diagnose.ahead.state.ProblemBench` over a closed problem of a few hundred fault sets.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from diagnose.rule.decide import Standing

if TYPE_CHECKING:
    from collections.abc import Hashable

    from diagnose.ahead.state import ProblemBench
    from diagnose.rule.costs import Costs
    from diagnose.rule.decide import Outlook

Floats = NDArray[np.float64]

MOST_STATES = 20_000
"""So many states are kept before all are forgotten and worked out anew."""


class State(Protocol):
    """A point on the way of a job.

    Attributes:
        key: the same for the same findings and repairs, whatever the order between two repairs.
        standing: what is open, barred and done.
    """

    @property
    def key(self) -> Hashable: ...  # noqa: D102
    @property
    def standing(self) -> Standing: ...  # noqa: D102


Where = TypeVar("Where", bound=State)


class Bench(Protocol[Where]):
    """A machine with a complaint."""

    costs: Costs
    start: Where

    def outlook(self, state: Where) -> Outlook:
        """What there is to decide between."""

    def chances(self, state: Where, test: int) -> list[float]:
        """Probability of each outcome of a test."""

    def checks(self, state: Where, repair: int) -> list[float]:
        """Chance of each result of trying the machine after a repair; that it runs is first."""

    def after_test(self, state: Where, test: int, outcome: int) -> Where | None:
        """The state after a test gave an outcome; None when that cannot be."""

    def after_look(self, state: Where, test: int, outcome: int) -> Where | None:
        """The state after a second look at a test; another outcome takes the place of the first."""

    def after_repair(self, state: Where, repair: int, result: int) -> Where | None:
        """The state after a repair and what trying the machine showed; None if that cannot be."""

    def alone(self, state: Where) -> Floats:
        """(faults,) probability that each is there and nothing else is."""

    def thinned(self, state: Where, most: int) -> ProblemBench:
        """A bench over a closed problem whose jobs begin in a state."""

    def outcome_name(self, test: int, outcome: int) -> str:
        """What an outcome of a test is called."""


def minutes_of(bench: Bench[Where], state: Where, action: int) -> float:
    """What an action costs in a state."""
    costs = bench.costs
    if action == costs.hand_over:
        return bench.outlook(state).hand_over_minutes
    access = costs.at(state.standing.open_areas)
    if action < costs.n_tests:
        return float(access.test_minutes[action])
    return float(access.repair_minutes[action - costs.n_tests])


def standing(
    costs: Costs,
    open_areas: int = 0,
    done: int = 0,
    before: int = 0,
    never: int = 0,
    repairs: int = 0,
    repaired: int = 0,
) -> Standing:
    """Where a job stands. Areas and tests are bits of a number.

    Args:
        costs: of the machine.
        open_areas: areas that stand open.
        done: tests done since the last repair.
        before: tests done before that.
        never: tests that cannot be done on this job at all.
        repairs: how many were done.
        repaired: which, as bits.
    """
    n = costs.n_tests
    barred = _flags(done | never, n) | (_flags(before, n) & ~costs.tests.again)
    ever = done | before
    for test, needs in enumerate(costs.tests.needs):
        if needs & ~ever:
            barred[test] = True
    return Standing(open_areas, barred, repairs, repaired)


def _flags(bits: int, n: int) -> NDArray[np.bool_]:
    return np.array([bool(bits >> place & 1) for place in range(n)], dtype=bool)


def single_faults(members: NDArray[np.integer], weight: Floats, n: int) -> Floats:
    """(faults,) weight of each fault alone.

    Args:
        members: (sets, width) faults of each set, filled up with `n`.
        weight: (sets,) their weights.
        n: number of faults.
    """
    single = (members < n).sum(axis=1) == 1
    own = members[single].min(axis=1)
    return np.bincount(own, weight[single], n)[:n].astype(np.float64)
