"""A machine that runs again on a battery that was charged: what had emptied it.

What takes days to show is no reason to keep a machine, unless its battery has just been charged:
then it will be back. The rule is asked once more, about the faults that give such a complaint;
handing over is what their coming back costs. A battery may have gone flat by standing, so nobody is
taken at his word here; and one last look after each repair is enough, the one that tells most.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.rule.decide import decide, look
from diagnose.rule.hand_over import LAST_LOOK
from diagnose.rule.in_order import bits_about_blame
from diagnose.sums import by_row, inner

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
    there = np.minimum(by_row(known.joint, able), known.chance)
    explains, fine = able.astype(np.float64), known.chance - there
    asked = known._replace(
        fine=fine,
        in_order=1.0 - min(inner(known.faults, able), 1.0),
        gain_bits=bits_about_blame(known.start, known.chance, fine, known.joint * explains),
    )
    once = 0.0 if situation.findings else LAST_LOOK
    outlook = look(asked, explains, costs, standing, most_in_order=1.0, last_look=once)
    decision = decide(outlook, costs, every=True)
    return None if decision.action == costs.hand_over else decision
