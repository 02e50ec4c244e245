"""Two libraries asked the same questions. They share nothing with the engine but the tables."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from tests.inference.agrum import pyagrum
from tests.inference.networks import by_names, mutual_information, to_pgmpy, to_pyagrum

if TYPE_CHECKING:
    from diagnose.inference.families import Network


class Agrum:
    """pyAgrum's LazyPropagation. Evidence by label: an int would be taken as an index."""

    def __init__(self, net: Network, hard=None, soft=None, model=None) -> None:
        self.net = net
        self.engine = pyagrum.LazyPropagation(model if model is not None else to_pyagrum(net))
        self.evidence = {**(hard or {}), **{n: list(w) for n, w in (soft or {}).items()}}

    def marginals(self) -> tuple[dict[str, np.ndarray], float]:
        self.engine.setEvidence(self.evidence)
        self.engine.makeInference()
        found = {f.node: self.engine.posterior(f.node).toarray() for f in self.net.families}
        return found, math.log(self.engine.evidenceProbability())

    def gain(self, test: str, about: tuple[str, ...] | None = None) -> float:
        """I(about; test | findings) in bits from the joint pyAgrum gives; None: the parents."""
        family = self.net.families[self.net.index[test]]
        named = family.parents if about is None else about
        hard = {name for name, given in self.evidence.items() if isinstance(given, str)}
        free = [name for name in named if name not in hard]
        if test in hard or not free:
            return 0.0
        engine = pyagrum.LazyPropagation(self.engine.BN())
        engine.addJointTarget({*free, test})
        engine.setEvidence(self.evidence)
        engine.makeInference()
        return mutual_information(by_names(engine.jointPosterior({*free, test}), (*free, test)))


def pgmpy_marginals(net: Network, hard, soft, model=None) -> dict[str, np.ndarray]:
    """pgmpy's VariableElimination. Virtual evidence changes the engine, so each query gets its own.

    Soft weights are scaled to a sum of 1 because TabularCPD insists on it.
    """
    from pgmpy.factors.discrete import TabularCPD  # noqa: PLC0415
    from pgmpy.inference import VariableElimination  # noqa: PLC0415

    model = model if model is not None else to_pgmpy(net)
    states = {family.node: family.states for family in net.families}
    virtual = [
        TabularCPD(
            node,
            len(weights),
            (np.asarray(weights) / np.sum(weights))[:, None],
            state_names={node: list(states[node])},
        )
        for node, weights in soft.items()
    ]
    found = {}
    for family in net.families:
        if family.node in hard:
            continue
        answer = VariableElimination(model).query(
            [family.node],
            evidence=dict(hard),
            virtual_evidence=virtual or None,
            show_progress=False,
        )
        order = [answer.state_names[family.node].index(state) for state in family.states]
        found[family.node] = answer.values[order]
    return found
