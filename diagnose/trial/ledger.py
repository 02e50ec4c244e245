"""What a shop's books say of a job: the price of the parts, and which of them were good.

A part is thrown away good when a new one goes in and the old one has no fault. A fuse that a short
has blown is not good, although the fault lies elsewhere: it is spent, and so is the next one that
goes in before the short is found. Its price counts, but no good part was lost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from diagnose.advice.minutes import price_minutes
from diagnose.circuit.netlist import NONE
from diagnose.circuit.settling import blow_fuses
from diagnose.decision.play import mend
from diagnose.decision.policies import MOST_REPAIRS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from diagnose.decision.fault_sets import FaultSpace
    from diagnose.decision.play import Dice
    from diagnose.decision.problem import DecisionProblem
    from diagnose.network.behaviour import Behaviour


@dataclass(frozen=True, slots=True, eq=False)
class Ledger:
    """What the books need to know beyond the decision problem.

    Attributes:
        price_minutes: by `part.repair`, the price as minutes at the shop's hourly rate.
        blown: (hypotheses, parts) fuses that have blown, by the number of the part.
    """

    price_minutes: Mapping[str, float]
    blown: NDArray[np.bool_]


class Entry(NamedTuple):
    """One job in the books.

    Attributes:
        price_minutes: of all that was fitted.
        good_parts: new parts fitted in place of good ones.
    """

    price_minutes: float
    good_parts: int


def make_ledger(behaviour: Behaviour, space: FaultSpace) -> Ledger:
    """The books of a machine's shop.

    Args:
        behaviour: the machine with its circuit.
        space: its fault sets.
    """
    machine, listed = behaviour.machine, behaviour.n_listed
    width = max(1, *(len(one) for one in space.sets))
    faults = np.full((len(space.sets), width), NONE, dtype=np.int32)
    for row, one in enumerate(space.sets):
        known = [f for f in one if f < listed]
        faults[row, : len(known)] = known
    return Ledger(
        price_minutes={
            f"{part.id}.{repair.id}": price_minutes(machine, repair.price_eur)
            for part in machine.parts.values()
            for repair in part.repairs
        },
        blown=blow_fuses(behaviour.circuit, faults),
    )


def write_up(
    ledger: Ledger | None, problem: DecisionProblem, dice: Dice, actions: Sequence[int]
) -> Entry:
    """Enter a job.

    Args:
        ledger: of the shop; without one nothing has a price and no fuse blows.
        problem: what was played.
        dice: the job's random numbers, which say what was wrong.
        actions: all that was done, in order.
    """
    repairs = problem.repairs
    hypothesis, tried, price, good = dice.hypothesis, 0, 0.0, 0
    for action in actions:
        repair = action - problem.n_tests
        if not 0 <= repair < problem.n_repairs:
            continue
        part = int(repairs.part[repair])
        bad = faulty(problem, hypothesis, part)
        if ledger is not None:
            price += ledger.price_minutes[repairs.names[repair]]
            bad = bad or bool(ledger.blown[hypothesis, part])
        good += bool(repairs.new_part[repair]) and not bad
        drawn = float(dice.repairs[min(tried, MOST_REPAIRS), 0])
        hypothesis = mend(problem, hypothesis, repair, drawn)
        tried += 1
    return Entry(price, good)


def faulty(problem: DecisionProblem, hypothesis: int, part: int) -> bool:
    """Whether a part has a fault of its own."""
    faults = problem.tables.faults_of[hypothesis]
    return any(f >= 0 and problem.part_of[f] == part for f in faults)
