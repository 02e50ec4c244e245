"""Ways of deciding what to do next, by name.

All of them hold the same exact belief and repair in the same order, by probability over cost
(Kadane & Simon 1977); they differ in which tests they do, and when they stop testing. So a
difference in minutes is the worth of the rule, not of a technician's memory. The rivals are
meant to be strong: a threshold policy takes its tests in the order of bits per minute, not merely
of bits; who measures along the wiring repairs with the same odds in mind as everybody else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from diagnose.ahead.along_wiring import SourceToLoad
from diagnose.ahead.expected import gate_action
from diagnose.ahead.rollout import Rollout
from diagnose.errors import UnknownNameError
from diagnose.rule.decide import choose, repair_action
from diagnose.sums import by_row

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from diagnose.ahead.bench import Bench
    from diagnose.ahead.expected import Policy
    from diagnose.rule.costs import Costs
    from diagnose.rule.decide import Outlook

WORTH_THE_WALK_BITS = 0.02
"""Who tests until he is sure leaves out what tells less; no one would do such tests."""


def plain_gate(bench: Bench[Any], state: Any) -> int:
    """The gate with opening counted in full, and any rate that beats repairing now."""
    outlook = bench.outlook(state)
    return choose(outlook, bench.costs, outlook.ranked(_plain_rate(outlook))).action


def gain(bench: Bench[Any], state: Any) -> int:
    """Bits among the tests that are worth their minutes, else repair."""
    outlook = bench.outlook(state)
    return choose(outlook, bench.costs, outlook.ranked(outlook.gain_bits)).action


def certainty(threshold: float) -> Policy:
    """Bits per minute until some repair ends the complaint with a given probability."""

    def decide(bench: Bench[Any], state: Any) -> int:
        outlook = bench.outlook(state)
        ranked = outlook.ranked(_plain_rate(outlook), WORTH_THE_WALK_BITS)
        if len(ranked) and surest(bench.costs, outlook) < threshold:
            return int(ranked[0])
        return repair_action(outlook, bench.costs)

    return decide


def repair_only(bench: Bench[Any], state: Any) -> int:
    """Repairs by probability over cost, no tests."""
    return repair_action(bench.outlook(state), bench.costs)


def fixed_order() -> Policy:
    """Tests in the order of their bits per minute as the job began, while worth their minutes."""
    order: dict[int, tuple[Bench[Any], Any]] = {}

    def decide(bench: Bench[Any], state: Any) -> int:
        if id(bench) not in order:
            order[id(bench)] = bench, _plain_rate(bench.outlook(bench.start))
        outlook = bench.outlook(state)
        return choose(outlook, bench.costs, outlook.ranked(order[id(bench)][1])).action

    return decide


def _plain_rate(outlook: Outlook) -> Any:
    """(tests,) bits per minute, opening counted in full."""
    return outlook.gain_bits / outlook.access.test_minutes.clip(min=1e-9)


def surest(costs: Costs, outlook: Outlook) -> float:
    """The highest probability that one repair ends the complaint."""
    return float(by_row(costs.repairs.fixes, outlook.blame).max(initial=0.0))


POLICIES: Mapping[str, Callable[[], Policy]] = {
    "gate": lambda: gate_action,
    "plain_gate": lambda: plain_gate,
    "rollout": lambda: Rollout().decide,
    "gain": lambda: gain,
    "certainty_80": lambda: certainty(0.80),
    "certainty_90": lambda: certainty(0.90),
    "certainty_95": lambda: certainty(0.95),
    "source_to_load": lambda: SourceToLoad().decide,
    "repair_only": lambda: repair_only,
    "fixed_order": fixed_order,
}


def make_policy(name: str) -> Policy:
    """The policy of a name.

    Raises:
        UnknownNameError: there is none.
    """
    if name not in POLICIES:
        raise UnknownNameError("policy", name, POLICIES)
    return POLICIES[name]()
