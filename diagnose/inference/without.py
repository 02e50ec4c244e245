"""How likely the findings are without one of them, from the beliefs that hold with it.

A finding about a leaf is a likelihood `L` over its parents, so by Bayes' rule

    P(e without it) / P(e) = sum_pa P(pa | e) / L(pa).

That takes no propagation. It needs `L` above 0 wherever the other findings leave anything, which
the beliefs do not tell, so above 0 everywhere; tests with a share of slips are like that.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import UnknownNameError
from diagnose.inference import layout as at
from diagnose.inference.questions import question

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from diagnose.inference.beliefs import Beliefs
    from diagnose.inference.compiled import CompiledNetwork
    from diagnose.inference.findings import Encoder, Findings


def log_evidence_without(
    compiled: CompiledNetwork, findings: Findings, beliefs: Beliefs, leaf: str
) -> float | None:
    """Natural logarithm of P(all findings but that about one leaf).

    Args:
        compiled: the network.
        findings: all of them.
        beliefs: after all of them.
        leaf: a leaf with one finding.

    Returns:
        None where it takes a propagation: the finding rules a combination of the parents out.

    Raises:
        UnknownNameError: that node is no leaf with a finding.
    """
    encoder, node = compiled.encoder, compiled.names.node(leaf)
    found = {*findings.states, *findings.weights, *findings.readings}
    if node not in encoder.leaf_of or node not in found:
        names = [compiled.nodes[one] for one in sorted(found) if one in encoder.leaf_of]
        raise UnknownNameError("finding", leaf, names)
    likelihood = _over_parents(encoder, findings, node)
    if likelihood.min() <= 0.0:
        return None
    tables, leaves = encoder.plan.tables, encoder.plan.leaves
    table = tables[leaves[encoder.leaf_of[node], at.L_TABLE]]
    begin = int(table[at.T_OUT] - tables[0, at.T_OUT])
    joint = beliefs.joints[begin : begin + int(table[at.T_SIZE])]
    return beliefs.log_evidence + math.log(float((joint / likelihood).sum()))


def _over_parents(encoder: Encoder, findings: Findings, node: int) -> NDArray[np.float64]:
    """Likelihood of all that was found of a leaf, over the entries of its parents' table."""
    each = question(encoder, (node,)).weights[0]
    found = np.ones(len(each))
    if node in findings.weights:
        weights = findings.weights[node]
        if node in findings.states:
            weights = np.where(np.arange(len(weights)) == findings.states[node], weights, 0.0)
        found *= each @ weights
    elif node in findings.states:
        found *= each[:, findings.states[node]]
    if node in findings.readings:
        found *= encoder.over_table(encoder.leaf_of[node], findings.readings[node])
    return found
