"""The answers without findings, kept inside the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference import layout as at

if TYPE_CHECKING:
    from diagnose.inference.compiled import CompiledNetwork


def fill_priors(compiled: CompiledNetwork) -> None:
    """Stores the answers without findings, which trees without findings then copy.

    Weights of 1 on one node of each tree change nothing but make the kernel walk through it.
    """
    plan, encoder = compiled.plan, compiled.encoder
    one_per_tree = {
        int(record[at.T_ROOT]): record for record in plan.tables[::-1] if record[at.T_STATES] >= 0
    }
    offsets = compiled.names.offsets
    nodes = [
        int(np.searchsorted(offsets, record[at.T_STATES], "right")) - 1
        for record in one_per_tree.values()
    ]
    weights = {node: np.ones(len(compiled.names.states[node])) for node in nodes}
    beliefs = compiled.beliefs(encoder.encode({}, weights))
    joints = beliefs.joints
    start = plan.tables[0, at.T_OUT]
    for record in plan.tables:
        size, prior = record[at.T_SIZE], record[at.T_PRIOR]
        out = record[at.T_OUT] - start
        plan.number[prior : prior + size] = joints[out : out + size]
    for place, record in enumerate(plan.leaves):
        size, prior, states = record[at.L_OUTCOMES], record[at.L_PRIOR], record[at.L_STATES]
        plan.number[prior : prior + size] = beliefs.marginals[states : states + size]
        plan.number[prior + size] = beliefs.gain_vector[place]
