"""Ways of deciding what to do next, by name.

All of them hold the same exact belief and repair in the same order, by probability over cost
(Kadane & Simon 1977); they differ in which tests they do, and when they stop testing. So a
difference in minutes is the worth of the rule, not of a technician's memory. The rivals are
meant to be strong: a threshold policy takes its tests in the order of bits per minute, not merely
of bits; who measures along the wiring repairs with the same odds in mind as everybody else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from diagnose.advice import gate, repair_kernels
from diagnose.advice.hand_over import minutes_if_known, worth_testing_on
from diagnose.decision import kernels
from diagnose.errors import UnknownNameError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from diagnose.decision.problem import DecisionProblem, Floats, Indices
    from diagnose.decision.state import Bench, State

WORTH_THE_WALK_BITS = 0.02
"""Who tests until he is sure leaves out what tells less; no one would do such tests."""

MOST_REPAIRS = 12
"""After so many repairs every policy hands over."""


class Policy(Protocol):
    """Decides what to do in a state; must be a function of the state alone."""

    def decide(self, bench: Bench, state: State) -> int:
        """A test, a repair (tests come first), or to hand over: the number of the action."""


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """What a policy sees.

    Attributes:
        allowed: (tests,) whether each can be done now.
        gain_bits: (tests,) what each would tell.
        minutes: (tests,) what each costs.
        added_minutes: (tests,) what each costs more than the repair will take anyway: an area that
            the repair has to open too, with some probability, is charged with the rest.
        blame: (faults,) chance that each is what gives the complaint.
        repair_minutes: expected, without further tests.
        first_repair: repair to begin with, -1 to hand over.
    """

    allowed: np.ndarray
    gain_bits: Floats
    minutes: Floats
    added_minutes: Floats
    blame: Floats
    repair_minutes: float
    first_repair: int

    def ranking(self, score: Floats, least_bits: float = gate.MINIMUM_GAIN_BITS) -> Indices:
        """Tests that tell enough, the highest score first."""
        tests = np.flatnonzero(self.allowed & (self.gain_bits > least_bits))
        found: Indices = tests[np.argsort(-score[tests], kind="stable")]
        return found


def look(bench: Bench, state: State) -> View:
    """Work out what a policy sees."""
    p = bench.problem
    chance, gain = np.empty(p.tables.like.shape[1]), np.empty(p.n_tests)
    kernels.survey(p.tables, state.active, state.weight, chance, gain)
    costs, guilty = bench.at(state), np.empty(len(p.faults))
    now, first = repair_kernels.repair_now(
        p.tables, state.active, state.weight, state.open_areas, p.escalate_minutes, guilty
    )
    needed = gate.chance_opened(guilty, p.tables.fault_way)
    added = gate.added_minutes(costs.test_minutes, costs.test_opening, needed)
    return View(~state.barred, gain, costs.test_minutes, added, guilty, now, first)


def repair_action(problem: DecisionProblem, state: State, view: View) -> int:
    """The repair with the highest probability over cost, or to hand over."""
    if view.first_repair < 0 or state.repairs_done >= MOST_REPAIRS:
        return problem.escalate
    return problem.n_tests + view.first_repair


def gated(bench: Bench, state: State, view: View, ranked: Indices) -> int:
    """The first test of a ranking that is worth its minutes, else the repair.

    Nothing is handed over while testing on is worth more; see `diagnose.advice.hand_over`.
    """
    p, costs = bench.problem, bench.at(state)
    test = repair_kernels.first_worth_doing(
        p.tables,
        state.active,
        state.weight,
        ranked,
        costs.test_minutes,
        costs.test_opens,
        p.escalate_minutes,
        view.repair_minutes,
    )
    if test < 0 and view.first_repair < 0 and len(ranked):
        known = minutes_if_known(
            view.blame, p.repairs.fixes, costs.repair_minutes, p.escalate_minutes
        )
        rate, doubt = float(rate_of(view)[ranked[0]]), gate.doubt_bits(view.blame)
        if worth_testing_on(known, doubt, rate, view.repair_minutes):
            test = ranked[0]
    return int(test) if test >= 0 else repair_action(p, state, view)


def rate_of(view: View) -> Floats:
    """(tests,) bits per added minute."""
    return gate.bits_per_minute(view.gain_bits, view.added_minutes)


def least_bits_per_minute(bench: Bench, state: State, view: View) -> float:
    """See `diagnose.advice.gate.least_bits_per_minute`; 0 where it is handed over."""
    first, repairs = view.first_repair, bench.problem.repairs
    if first < 0:
        return 0.0
    return gate.least_bits_per_minute(
        view.blame,
        float(repairs.fixes[first] @ view.blame),
        float(bench.at(state).repair_minutes[first]),
        new_part=bool(repairs.new_part[first]),
    )


@dataclass(frozen=True, slots=True)
class Gate:
    """Bits per minute among the tests that are worth their minutes, else repair.

    Minutes of opening count as far as the repair will not have to open the area anyway (cost
    clusters, Ottosen & Jensen 2010). A test is worth its minutes when doing it and then repairing
    beats repairing now, and when its rate is no less than `least_bits_per_minute`.
    """

    def decide(self, bench: Bench, state: State) -> int:
        """See `Policy`."""
        view = look(bench, state)
        return gated(bench, state, view, gate_ranking(bench, state, view))


def gate_ranking(bench: Bench, state: State, view: View) -> Indices:
    """Tests that may be worth their minutes, most bits per minute first."""
    rate = rate_of(view)
    ranked = view.ranking(rate)
    found: Indices = ranked[rate[ranked] >= least_bits_per_minute(bench, state, view)]
    return found


@dataclass(frozen=True, slots=True)
class PlainGate:
    """The same with opening counted in full, and any rate that beats repairing now."""

    def decide(self, bench: Bench, state: State) -> int:
        """See `Policy`."""
        view = look(bench, state)
        return gated(bench, state, view, view.ranking(view.gain_bits / view.minutes))


@dataclass(frozen=True, slots=True)
class Gain:
    """Bits among the tests that are worth their minutes, else repair."""

    def decide(self, bench: Bench, state: State) -> int:
        """See `Policy`."""
        view = look(bench, state)
        return gated(bench, state, view, view.ranking(view.gain_bits))


@dataclass(frozen=True, slots=True)
class Certainty:
    """Bits per minute until some repair ends the complaint with a given probability."""

    threshold: float

    def decide(self, bench: Bench, state: State) -> int:
        """See `Policy`."""
        view = look(bench, state)
        ranked = view.ranking(view.gain_bits / view.minutes, WORTH_THE_WALK_BITS)
        if len(ranked) and surest(bench.problem, view) < self.threshold:
            return int(ranked[0])
        return repair_action(bench.problem, state, view)


@dataclass(frozen=True, slots=True)
class RepairOnly:
    """Repairs by probability over cost, no tests."""

    def decide(self, bench: Bench, state: State) -> int:
        """See `Policy`."""
        return repair_action(bench.problem, state, look(bench, state))


class FixedOrder:
    """Tests in the order of their bits per minute as the job began, while worth their minutes."""

    def __init__(self) -> None:
        """The order is found at the first job."""
        self._order: dict[int, tuple[Bench, Floats]] = {}

    def decide(self, bench: Bench, state: State) -> int:
        """See `Policy`."""
        if id(bench) not in self._order:
            first = look(bench, bench.start)
            self._order[id(bench)] = bench, first.gain_bits / first.minutes
        view = look(bench, state)
        return gated(bench, state, view, view.ranking(self._order[id(bench)][1]))


def surest(problem: DecisionProblem, view: View) -> float:
    """The highest probability that one repair ends the complaint."""
    return float((problem.repairs.fixes @ view.blame).max(initial=0.0))


def _rollout() -> Policy:
    from diagnose.decision.rollout import Rollout  # noqa: PLC0415 - it builds on the gate

    return Rollout()


def _source_to_load() -> Policy:
    from diagnose.decision.along_wiring import SourceToLoad  # noqa: PLC0415 - it builds on these

    return SourceToLoad()


POLICIES: Mapping[str, Callable[[], Policy]] = {
    "gate": Gate,
    "plain_gate": PlainGate,
    "rollout": _rollout,
    "gain": Gain,
    "certainty_80": lambda: Certainty(0.80),
    "certainty_90": lambda: Certainty(0.90),
    "certainty_95": lambda: Certainty(0.95),
    "source_to_load": _source_to_load,
    "repair_only": RepairOnly,
    "fixed_order": FixedOrder,
}


def make_policy(name: str) -> Policy:
    """The policy of a name.

    Raises:
        UnknownNameError: there is none.
    """
    if name not in POLICIES:
        raise UnknownNameError("policy", name, POLICIES)
    return POLICIES[name]()
