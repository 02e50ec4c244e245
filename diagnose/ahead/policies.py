"""Ways of deciding what to do next, by name.

All of them hold the same exact belief and repair in the same order, by probability over cost
(Kadane & Simon 1977); they differ in which tests they do, and when they stop testing. So a
difference in minutes is the worth of the rule, not of a technician's memory. The rivals are
meant to be strong: a threshold policy takes its tests in the order of bits per minute, not merely
of bits; who measures along the wiring repairs with the same odds in mind as everybody else.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from diagnose.errors import UnknownNameError
from diagnose.rule.decide import choose, gate_ranking, repair_action

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from diagnose.ahead.bench import Bench
    from diagnose.rule.costs import Costs
    from diagnose.rule.decide import Outlook

WORTH_THE_WALK_BITS = 0.02
"""Who tests until he is sure leaves out what tells less; no one would do such tests."""


class Policy(Protocol):
    """Decides what to do in a state; must be a function of the state alone."""

    def decide(self, bench: Bench[Any], state: Any) -> int:
        """A test, a repair (tests come first), or to hand over: the number of the action."""


@dataclass(frozen=True, slots=True)
class Gate:
    """What advice does: `diagnose.rule.decide`."""

    def decide(self, bench: Bench[Any], state: Any) -> int:
        """See `Policy`."""
        outlook = bench.outlook(state)
        return choose(outlook, bench.costs, gate_ranking(outlook, bench.costs)).action


@dataclass(frozen=True, slots=True)
class PlainGate:
    """The same with opening counted in full, and any rate that beats repairing now."""

    def decide(self, bench: Bench[Any], state: Any) -> int:
        """See `Policy`."""
        outlook = bench.outlook(state)
        return choose(outlook, bench.costs, outlook.ranked(_plain_rate(outlook))).action


@dataclass(frozen=True, slots=True)
class Gain:
    """Bits among the tests that are worth their minutes, else repair."""

    def decide(self, bench: Bench[Any], state: Any) -> int:
        """See `Policy`."""
        outlook = bench.outlook(state)
        return choose(outlook, bench.costs, outlook.ranked(outlook.gain_bits)).action


@dataclass(frozen=True, slots=True)
class Certainty:
    """Bits per minute until some repair ends the complaint with a given probability."""

    threshold: float

    def decide(self, bench: Bench[Any], state: Any) -> int:
        """See `Policy`."""
        outlook = bench.outlook(state)
        ranked = outlook.ranked(_plain_rate(outlook), WORTH_THE_WALK_BITS)
        if len(ranked) and surest(bench.costs, outlook) < self.threshold:
            return int(ranked[0])
        return repair_action(outlook, bench.costs)


@dataclass(frozen=True, slots=True)
class RepairOnly:
    """Repairs by probability over cost, no tests."""

    def decide(self, bench: Bench[Any], state: Any) -> int:
        """See `Policy`."""
        return repair_action(bench.outlook(state), bench.costs)


class FixedOrder:
    """Tests in the order of their bits per minute as the job began, while worth their minutes."""

    def __init__(self) -> None:
        """The order is found at the first job."""
        self._order: dict[int, tuple[Bench[Any], Any]] = {}

    def decide(self, bench: Bench[Any], state: Any) -> int:
        """See `Policy`."""
        if id(bench) not in self._order:
            self._order[id(bench)] = bench, _plain_rate(bench.outlook(bench.start))
        outlook = bench.outlook(state)
        return choose(outlook, bench.costs, outlook.ranked(self._order[id(bench)][1])).action


def _plain_rate(outlook: Outlook) -> Any:
    """(tests,) bits per minute, opening counted in full."""
    return outlook.gain_bits / outlook.access.test_minutes.clip(min=1e-9)


def surest(costs: Costs, outlook: Outlook) -> float:
    """The highest probability that one repair ends the complaint."""
    return float((costs.repairs.fixes @ outlook.blame).max(initial=0.0))


def _rollout() -> Policy:
    from diagnose.ahead.rollout import Rollout  # noqa: PLC0415 - it builds on the gate

    return Rollout()


def _source_to_load() -> Policy:
    from diagnose.ahead.along_wiring import SourceToLoad  # noqa: PLC0415 - it builds on these

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
