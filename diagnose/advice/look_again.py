"""Looking again at one finding before something is done that cannot be undone.

A splice in a good wire, a new part in place of a good one, a machine that was given away: all that
may hang on one number that was written down wrong. Looking once more takes the minutes of the test.
It pays where these are fewer than what is done takes, times the chance that it is done on a slip.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from diagnose.belief.belief import Belief, Doubt
    from diagnose.rule.decide import Decision
    from diagnose.rule.prepared import Prepared


def doubted_before(prepared: Prepared, belief: Belief, decision: Decision) -> Doubt | None:
    """The finding to look at again before what the rule says is done; None for none.

    Args:
        prepared: the machine.
        belief: what is believed.
        decision: what the rule says.
    """
    slip, costs = belief.likeliest_slip, prepared.costs
    if slip is None:
        return None
    at_stake = minutes_at_stake(prepared, decision)
    again = float(costs.tests.minutes[costs.tests.names.index(slip.test)])
    return slip if again < slip.slip * at_stake else None


def minutes_at_stake(prepared: Prepared, decision: Decision) -> float:
    """What is lost if the rule's action is wrong; 0 for a repair that spoils nothing.

    A good wire that is cut is a good part thrown away.
    """
    costs, action = prepared.costs, decision.action
    if action == costs.hand_over:
        return decision.outlook.hand_over_minutes
    if action < costs.n_tests:
        return float(decision.outlook.access.test_minutes[action])
    repair = action - costs.n_tests
    if not costs.repairs.uses_up[repair]:
        return 0.0
    spoilt = prepared.machine.shop.good_part_minutes
    return float(decision.outlook.access.repair_minutes[repair]) + spoilt
