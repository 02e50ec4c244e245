"""A hand-made machine of two parts under a shared cause, as a decision problem and as a network.

The network is written down table by table for two epochs, a repair between them; it shares nothing
with the decision problem but the numbers.
"""

from __future__ import annotations

import itertools

import numpy as np
from pgmpy.factors.discrete import TabularCPD
from pgmpy.models import DiscreteBayesianNetwork

from diagnose.ahead.problem import DecisionProblem
from diagnose.belief.survey import SetTables
from diagnose.rule.costs import RepairCosts, TestCosts, make_costs

CAUSE = 0.3
FUSE = {0: [0.9, 0.06, 0.04], 1: [0.6, 0.3, 0.1]}
"""P(ok, open, loose) of the fuse without and with the cause."""
WIRE = {0: [0.95, 0.05], 1: [0.7, 0.3]}
"""P(ok, open) of the wire."""
NEW_BAD = 0.1
NEW_FUSE = [1.0 - NEW_BAD, NEW_BAD * 0.75, NEW_BAD * 0.25]
"""A new fuse; it is bad in the same modes."""
LAMP = np.array([[0.97, 0.10], [0.05, 0.04], [0.40, 0.08]])
"""P(lit | fuse, wire)."""
SAME = np.array([[0.01, 0.99], [0.98, 0.99], [0.50, 0.99]])
"""P(complaint is there | fuse, wire)."""

SETS = list(itertools.product(range(3), range(2)))
NONE = 3
"""Three faults: fuse open, fuse loose, wire open; this number stands for none."""


def problem() -> DecisionProblem:
    """Number of a set = 2 * fuse + wire."""
    prior = np.array(
        [sum(p * FUSE[c][f] * WIRE[c][w] for c, p in ((0, 1 - CAUSE), (1, CAUSE))) for f, w in SETS]
    )
    same = np.array([SAME[f, w] for f, w in SETS])
    lit = np.array([LAMP[f, w] for f, w in SETS])
    lamp = np.stack([lit, 1.0 - lit], axis=1)
    faults = [[f - 1] * (f > 0) + [2] * w for f, w in SETS]
    joined = np.full((6, 3), -1)
    for row, (f, w) in enumerate(SETS):
        if f == 0:
            joined[row, :2] = 2 + w, 4 + w
        if w == 0:
            joined[row, 2] = row + 1
    return DecisionProblem(
        costs=costs(),
        prior=prior * same / (prior @ same),
        tables=SetTables(
            start=np.array([0, 2], dtype=np.int32),
            like=lamp,
            noise=-(lamp * np.log2(lamp)).sum(axis=1, keepdims=True),
            members=np.array([(*own, NONE, NONE)[:2] for own in faults]),
        ),
        explains=np.ones(3),
        checks=np.stack([1.0 - same, same], axis=1),
        after=np.array([[w for _, w in SETS], [2 * f for f, _ in SETS]]),
        bad=np.array([[*NEW_FUSE[1:], 0.0], [0.0, 0.0, 0.0]]),
        joined=joined,
        part_of=np.array([0, 0, 1]),
    )


def costs():
    """A lamp of a minute, a new fuse for 5, mending the wire for 20, a check of 2."""
    nowhere = np.array([-1, -1])
    return make_costs(
        TestCosts(("lamp",), np.array([1.0]), nowhere[:1], (0,), np.array([True])),
        RepairCosts(
            names=("fuse.replace", "wire.mend"),
            minutes=np.array([5.0, 20.0]),
            area=nowhere,
            fixes=np.array([[1, 1, 0], [0, 0, 1]], dtype=np.int8),
            new_part=np.array([True, False]),
        ),
        (),
        np.zeros(0),
        (),
        check_minutes=2.0,
        hand_over_minutes=180.0,
    )


def network() -> DiscreteBayesianNetwork:
    """Cause, parts, complaint and lamp; then the new fuse, the check and the lamp once more."""
    edges = [("cause", "fuse"), ("cause", "wire"), ("fuse", "fuse_new")]
    seen = (("fuse", ("complaint", "lamp")), ("fuse_new", ("check", "lamp_new")))
    edges += [(p, s) for fuse, shown in seen for s in shown for p in (fuse, "wire")]
    net = DiscreteBayesianNetwork(edges)
    fresh = np.tile(np.array(NEW_FUSE)[:, None], (1, 3))
    net.add_cpds(
        TabularCPD("cause", 2, [[1 - CAUSE], [CAUSE]]),
        TabularCPD("fuse", 3, np.array([FUSE[0], FUSE[1]]).T, ["cause"], [2]),
        TabularCPD("wire", 2, np.array([WIRE[0], WIRE[1]]).T, ["cause"], [2]),
        TabularCPD("fuse_new", 3, fresh, ["fuse"], [3]),
        *(_seen(node, fuse, LAMP) for node, fuse in (("lamp", "fuse"), ("lamp_new", "fuse_new"))),
        *(_seen(node, fuse, SAME) for node, fuse in (("complaint", "fuse"), ("check", "fuse_new"))),
    )
    return net


def _seen(node: str, fuse: str, yes: np.ndarray) -> TabularCPD:
    flat = yes.reshape(1, -1)
    return TabularCPD(node, 2, np.concatenate([flat, 1 - flat]), [fuse, "wire"], [3, 2])
