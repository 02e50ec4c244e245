"""Orders that a shop handed over and then left out of its records.

What is left of a shop's orders are those that it put right. Faults that it cannot put right are
rare among them, and would be taken for rare. Where such orders are missing, an order is divided by
the chance that one comes *and* is kept,

    D = sum_S P(S) (1 - h(S)) sum_c P(complaint c | S),

with h(S) the chance that a machine with faults S is handed over. That depends on who works it; it
is simulated with the machine's own advice, and said so.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.trial.orders import Practice, simulated_orders

if TYPE_CHECKING:
    from diagnose.refit.evidence import Evidence
    from diagnose.rule.prepared import Prepared

Floats = NDArray[np.float64]

SIMULATED = 1200
"""Orders that are simulated to see which end with handing over."""

HELD = 150
"""Fault sets of the belief that works them."""

WORTH = 2.0
"""What is taken of a fault before any simulated order, in orders. Estimate."""

SELDOM, MOSTLY = 0.02, 0.95
"""That is: of one that some repair puts right, and of one that none does. Estimates."""


def hand_over_chances(ready: Prepared, jobs: int = SIMULATED, seed: int = 0) -> Floats:
    """(faults + 1,) chance that a machine with each fault is handed over; the last of a sound one.

    Args:
        ready: the machine with the priors in use.
        jobs: orders simulated.
        seed: of the random numbers.
    """
    practice = Practice(held=HELD, comes_back=0.0, minutes_spread=0.0)
    made = simulated_orders(ready.machine, jobs, seed, practice=practice)
    came, over = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    for order, faults in zip(made.orders, made.truths, strict=True):
        for fault in faults or [("", "")]:
            came[fault] += 1
            over[fault] += order["ended"] == "handed_over"
    mends = np.asarray(ready.costs.repairs.fixes).any(axis=0)
    usual = [*np.where(mends, SELDOM, MOSTLY)[: len(ready.faults)].tolist(), 0.5]
    names = [*ready.faults, ("", "")]
    return np.array(
        [
            (over[name] + WORTH * own) / (came[name] + WORTH)
            for name, own in zip(names, usual, strict=True)
        ]
    )


def without_handed_over(evidence: Evidence, chances: Floats) -> Evidence:
    """The same orders, where those handed over are not among the records.

    A machine with several faults is handed over if any of them alone would be.

    Args:
        evidence: of the orders that are.
        chances: see `hand_over_chances`.
    """
    stays, none = 1.0 - chances, evidence.model.n_faults
    left = np.where(evidence.members < none, stays[np.minimum(evidence.members, none)], 1.0)
    kept = left.prod(axis=1) * evidence.kept
    sound = (evidence.members >= none).all(axis=1)
    kept = np.where(sound, stays[none] * evidence.kept, kept)
    share = np.divide(kept, evidence.kept, out=np.zeros_like(kept), where=evidence.kept > 0.0)
    return replace(evidence, kept=kept, comes=evidence.comes * share)


def missing_share(evidence: Evidence, left: Evidence, chance: Floats) -> float:
    """Share of all orders that are handed over.

    Args:
        evidence: of all orders.
        left: without those handed over.
        chance: (sets,) prior of each.
    """
    whole = float(chance @ evidence.comes)
    return 1.0 - float(chance @ left.comes) / whole
