"""The expected cost of repair with nothing to open, for hand-made numbers."""

from __future__ import annotations

import numpy as np

from diagnose.rule.costs import RepairCosts, TestCosts, make_costs
from diagnose.rule.repair_kernels import repair_cost

NOTHING = TestCosts((), np.zeros(0), np.zeros(0, np.int64), (), np.zeros(0, bool))


def plain_repairs(
    chances: list[float],
    minutes: list[float],
    hand_over: float,
    fixes: np.ndarray | None = None,
    waste: list[float] | None = None,
    in_order: float = 0.0,
    hides: list[float] | None = None,
) -> tuple[float, int]:
    """Minutes, and the repair to begin with; repair i fixes fault i unless `fixes` says more.

    `in_order` is the chance that nothing is wrong with the machine.
    """
    n = len(minutes)
    costs = make_costs(
        NOTHING,
        RepairCosts(
            names=tuple(f"repair_{row}" for row in range(n)),
            minutes=np.array(minutes, dtype=np.float64),
            area=np.full(n, -1),
            fixes=np.eye(n, len(chances), dtype=np.int8) if fixes is None else fixes,
            new_part=np.zeros(n, dtype=bool),
        ),
        (),
        np.zeros(0),
        (),
        check_minutes=0.0,
        hand_over_minutes=hand_over,
    )
    tables = costs.tables._replace(repair_waste=np.array(waste or [0.0] * n, dtype=np.float64))
    hides = np.zeros(len(chances)) if hides is None else np.array(hides)
    spent, first, _ = repair_cost(tables, np.array(chances), 1.0, in_order, 0, hand_over, hides)
    return float(spent), int(first)
