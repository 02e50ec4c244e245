"""The expected cost of repair with nothing to open, for hand-made numbers."""

from __future__ import annotations

import numpy as np

from diagnose.rule.repair_cost import make_tables, minutes_of_repair


def plain_repairs(
    chances: list[float],
    minutes: list[float],
    escalate: float,
    fixes: np.ndarray | None = None,
    waste: list[float] | None = None,
) -> tuple[float, int]:
    """Minutes, and the repair to begin with; repair i fixes fault i unless `fixes` says more."""
    table = np.eye(len(chances), dtype=np.int8) if fixes is None else fixes
    tables = make_tables(
        table,
        np.array(minutes, dtype=np.float64),
        np.zeros(len(table), np.int64),
        np.array(waste or [0.0] * len(table), dtype=np.float64),
        np.zeros(0),
    )
    nothing = np.zeros(1, np.int64)
    costs, first = minutes_of_repair(tables, np.array([chances]), nothing, escalate)
    return float(costs[0]), int(first[0])
