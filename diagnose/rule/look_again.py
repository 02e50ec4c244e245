"""Looking again at one finding before something is done that cannot be undone.

A splice in a good wire, a new part in place of a good one, a machine that was given away: all that
may hang on one number that was written down wrong. Looking once more takes the minutes of the test.
It pays where these are fewer than what is done takes, times the chance that it is done on a slip;
and a repair is done on a slip no more often than it is done in vain.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from diagnose.sums import inner

if TYPE_CHECKING:
    from diagnose.belief.belief import Belief, Doubt
    from diagnose.rule.decide import Outlook
    from diagnose.rule.prepared import Prepared


def doubted_before(
    prepared: Prepared, belief: Belief, outlook: Outlook, action: int
) -> Doubt | None:
    """The finding to look at again before an action; None for none.

    What is more likely a slip than not is looked at again whatever is done next.

    Args:
        prepared: the machine.
        belief: what is believed.
        outlook: what there was to decide between.
        action: number of what is to be done; see `diagnose.rule.costs.Costs`.
    """
    slip, costs = belief.likeliest_slip, prepared.costs
    if slip is None or belief.doubt is not None:
        return belief.doubt
    at_stake = minutes_at_stake(prepared, outlook, action)
    again = float(costs.tests.minutes[costs.tests.names.index(slip.test)])
    chance = min(slip.slip, chance_in_vain(prepared, outlook, action))
    return slip if again < chance * at_stake else None


def chance_in_vain(prepared: Prepared, outlook: Outlook, action: int) -> float:
    """That a repair puts right nothing that gives the complaint; 1 for anything else."""
    costs = prepared.costs
    if not costs.n_tests <= action < costs.hand_over:
        return 1.0
    meant = inner(costs.repairs.fixes[action - costs.n_tests], outlook.blame)
    return max(1.0 - meant * (1.0 - outlook.asked.in_order), 0.0)


def minutes_at_stake(prepared: Prepared, outlook: Outlook, action: int) -> float:
    """What is lost if an action is the wrong one; 0 for a repair that spoils nothing.

    A good wire that is cut is a good part thrown away.
    """
    costs = prepared.costs
    if action == costs.hand_over:
        return outlook.hand_over_minutes
    if action < costs.n_tests:
        return float(outlook.access.test_minutes[action])
    repair = action - costs.n_tests
    if not costs.repairs.uses_up[repair]:
        return 0.0
    spoilt = prepared.machine.shop.good_part_minutes
    return float(outlook.access.repair_minutes[repair]) + spoilt
