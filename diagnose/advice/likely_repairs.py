"""What each likely repair would be: what it would end, take, cost, and leave to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.advice import LikelyRepair
from diagnose.rule.repair_kernels import repair_cost
from diagnose.sums import by_row

if TYPE_CHECKING:
    from diagnose.rule.costs import Costs
    from diagnose.rule.decide import Outlook
    from diagnose.rule.prepared import Prepared

LEAST_LIKELY = 0.01
"""Repairs that are less likely than this to end the complaint are not spoken of."""


def likely_repairs(prepared: Prepared, outlook: Outlook) -> tuple[LikelyRepair, ...]:
    """Every repair that may well end the complaint, the likeliest first."""
    costs, parts = prepared.costs, prepared.machine.parts
    chances = np.minimum(by_row(costs.repairs.fixes, outlook.blame), 1.0)
    likeliest = np.argsort(-chances, kind="stable").tolist()
    told = []
    for number in likeliest:
        if chances[number] < LEAST_LIKELY:
            break
        part, _, name = costs.repairs.names[number].partition(".")
        repair = next(repair for repair in parts[part].repairs if repair.id == name)
        opening = outlook.access.repair_minutes[number] - costs.repairs.minutes[number]
        told.append(
            LikelyRepair(
                part=part,
                repair=name,
                title=repair.title,
                chance=float(chances[number]),
                minutes=repair.minutes + float(opening),
                price_eur=repair.price_eur,
                minutes_to_go=minutes_to_go(outlook, costs, number),
                licensed=repair.licensed,
                cautions=repair.cautions,
            )
        )
    return tuple(told)


def minutes_to_go(outlook: Outlook, costs: Costs, repair: int) -> float:
    """Minutes expected after a repair until the machine runs or is handed over.

    Where the repair ends the complaint they are none, and a machine in order counts as mended by
    it. Else it goes on repairing without further tests, as `diagnose.rule.costs` counts it.
    """
    fixed = costs.repairs.fixes[repair].astype(bool)
    amiss = 1.0 - outlook.asked.in_order
    left = np.where(fixed, 0.0, outlook.blame * amiss)
    failing = amiss * (1.0 - float(outlook.blame[fixed].sum()))
    if failing <= 0.0:
        return 0.0
    opened = int(outlook.access.repair_opens[repair])
    minutes, _, _ = repair_cost(
        costs.tables, left, failing, 0.0, opened, costs.hand_over_minutes, outlook.hides
    )
    return failing * float(minutes)
