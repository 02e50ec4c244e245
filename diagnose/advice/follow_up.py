"""A machine that runs again on a battery that was charged: what had emptied it.

What takes days to show is no reason to keep a machine, unless its battery has just been charged:
then it will be back. The rule is asked once more, about the faults that give such a complaint;
handing over is what their coming back costs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.rule.decide import decide

if TYPE_CHECKING:
    from diagnose.belief.belief import Belief
    from diagnose.belief.situation import Situation
    from diagnose.machine.model import Machine
    from diagnose.rule.decide import Decision, Standing
    from diagnose.rule.prepared import Prepared

WHY_FLAT = "It runs. This looks for what had emptied the battery, before it goes out."


def was_charged(machine: Machine, situation: Situation) -> bool:
    """Whether the battery was charged on this job."""
    return any(machine.parts[epoch.repair.part].kind == "charge" for epoch in situation.past)


def follow_up(
    prepared: Prepared, situation: Situation, belief: Belief, standing: Standing
) -> Decision | None:
    """What to do next about an empty battery on a machine that runs; None for nothing more.

    Args:
        prepared: the machine.
        situation: with a battery charged in it, or not.
        belief: what is believed.
        standing: where the job stands.
    """
    machine, costs, known = prepared.machine, prepared.costs, belief.survey
    hidden = [c.id for c in machine.complaints.values() if not c.on_trying]
    if not hidden or not was_charged(machine, situation):
        return None
    able = np.array([prepared.explains[name] > 0.0 for name in hidden]).any(axis=0)
    able &= prepared.behaviour.part_of != len(machine.parts)  # nothing to look for there
    there = np.minimum(known.joint @ able, known.chance)
    asked = known._replace(
        fine=known.chance - there, in_order=1.0 - min(float(known.faults @ able), 1.0)
    )
    decision = decide(asked, able.astype(np.float64), costs, standing, every=True)
    return None if decision.action == costs.hand_over else decision
