"""Machines that come to the shop: what is wrong with them, and how they answer.

What is wrong is drawn from the priors, shared causes first, any number of faults at once; a machine
comes to the shop when it does not work and the complaint is reported, now and then in the wrong
words. It then answers with what the circuit
does under exactly these faults.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.ahead.problem import fixing, without
from diagnose.ahead.world import KnownMinutes, handed_over, outcome_of
from diagnose.errors import ValueOutOfRangeError
from diagnose.faults.manners import COMES_AND_GOES, N_MANNERS, SHARES
from diagnose.faults.outcomes import CHECK_SLIPS, WORKS, complaint_chances, wording
from diagnose.faults.priors import new_part_modes
from diagnose.faults.tried import check_shares, with_slips
from diagnose.rule.minutes import price_minutes

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from diagnose.faults.behaviour import FaultSet
    from diagnose.rule.prepared import Prepared

BLOCK = 4096
"""Machines drawn side by side."""

MOST_DRAWN = 1600
"""Blocks drawn in search of one that comes with the complaint."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What is wrong with a machine.

    Attributes:
        faults: its faults.
        causes: bits of the shared causes that are things of their own and are there.
        manner: how its loose joints stand through the job, see `diagnose.faults.manners`.
    """

    faults: FaultSet
    causes: int
    manner: int = COMES_AND_GOES


class Shop:
    """One machine with one complaint, as it really is; see `diagnose.ahead.world.World`.

    Attributes:
        costs: what everything costs.
    """

    def __init__(self, prepared: Prepared, complaint: str) -> None:
        """Nothing is worked out until a machine comes."""
        self._prepared = prepared
        self._complaint = complaint
        self._able = prepared.stopping(complaint)
        self.costs = prepared.costs
        self._known = KnownMinutes(self)
        machine = prepared.machine
        repairs = [(part, r) for part in machine.parts.values() for r in part.repairs]
        self._prices = [price_minutes(machine, repair.price_eur) for _, repair in repairs]
        number = {fault: place for place, fault in enumerate(prepared.faults)}
        self._bad = [
            {number[fault]: p for fault, p in new_part_modes(machine, part, repair).items()}
            for part, repair in repairs
        ]

    def known_minutes(self, truth: Truth) -> float:
        """What a job would take if one knew what is wrong, however its joints happen to stand."""
        return self._known(replace(truth, manner=COMES_AND_GOES))

    def answer(self, truth: Truth, test: int, drawn: float) -> int:
        """See `World`."""
        sets, columns = self._prepared.sets, self._prepared.sets.columns
        column, n = int(columns.column[test]), len(columns.tests[test].outcomes)
        if column < 0:
            return outcome_of(columns.by_cause[test, self._has_cause(truth, test), :n], drawn)
        solved = sets.with_sets([truth.faults])
        table = solved.chances.of(test, n)
        place = solved.place[solved.row(truth.faults), column]
        return outcome_of(table[truth.manner, place], drawn)

    def _has_cause(self, truth: Truth, test: int) -> int:
        priors = self._prepared.sets.priors
        cause = int(self._prepared.sets.columns.cause[test])
        if cause < priors.n_free:
            return truth.causes >> cause & 1
        return int(priors.triggers[cause][list(truth.faults)].any())

    def checks(self, truth: Truth) -> NDArray[np.float64]:
        """See `World`."""
        solved = self._prepared.sets.with_sets([truth.faults])
        rows = np.array([solved.row(truth.faults)], dtype=np.int64)
        behaviour, manners = self._prepared.behaviour, np.zeros((1, len(SHARES)))
        manners[0, truth.manner - COMES_AND_GOES] = 1.0
        shares = check_shares(behaviour, solved, self._complaint, rows, manners)
        row: NDArray[np.float64] = with_slips(shares)[0]
        return row

    def handed_over(self, truth: Truth) -> float:
        """See `World`. That a loose joint happens to touch does not put a machine in order."""
        fine = self.checks(replace(truth, manner=COMES_AND_GOES))[0] > 1.0 - CHECK_SLIPS
        return 0.0 if fine else handed_over(self.costs, self._able, truth.faults)

    def repairs(self, truth: Truth) -> Iterable[int]:
        """See `World`."""
        return fixing(self.costs, truth.faults)

    def put_right(self, truth: Truth, repair: int) -> Truth:
        """See `World`."""
        return replace(truth, faults=without(self.costs, truth.faults, repair))

    def mend(self, truth: Truth, repair: int, drawn: float) -> Truth:
        """See `World`."""
        part_of, left = self._prepared.behaviour.part_of, without(self.costs, truth.faults, repair)
        for fault, chance in self._bad[repair].items():
            drawn -= chance
            if drawn < 0.0:
                if all(part_of[f] != part_of[fault] for f in left):
                    left = tuple(sorted((*left, fault)))
                break
        return replace(truth, faults=left)

    def wastes(self, truth: Truth, repair: int) -> bool:
        """See `World`. A fuse is no good part thrown away."""
        return self.costs.repairs.wastes(repair, truth.faults)

    def price_minutes(self, repair: int) -> float:
        """See `World`."""
        return self._prices[repair]


def comes_with(
    prepared: Prepared, complaint: str, values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """(sets,) chance that a machine comes with a complaint, right words or wrong, and shows it.

    Args:
        prepared: the machine.
        complaint: what is reported.
        values: (sets, 2) readings of the complaint.
    """
    told = complaint_chances(values, wording(prepared.machine, complaint))[:, 0]
    shows: NDArray[np.float64] = told * (values != WORKS).mean(axis=-1)
    return shows


def draw_truths(
    prepared: Prepared, complaint: str, count: int, rng: np.random.Generator
) -> list[Truth]:
    """Machines that come with a complaint, reported and seen.

    Args:
        prepared: the machine.
        complaint: what is reported.
        count: how many.
        rng: random numbers.

    Raises:
        ValueOutOfRangeError: the complaint is so rare that too few are found.
    """
    column = prepared.behaviour.column[complaint]
    found: list[Truth] = []
    for _ in range(MOST_DRAWN):
        if len(found) >= count:
            break
        drawn = draw_machines(prepared, rng)
        sets = list(dict.fromkeys(truth.faults for truth in drawn))
        solved = prepared.sets.with_sets(sets)
        rows = np.array([solved.row(truth.faults) for truth in drawn], dtype=np.int64)
        values = solved.readings(column, rows)
        comes = comes_with(prepared, complaint, values)
        kept = rng.random(len(drawn)) < comes
        found += [drawn[place] for place in np.flatnonzero(kept).tolist()]
    if len(found) < count:
        named = f"machines that come with {complaint}, of {MOST_DRAWN * BLOCK}"
        raise ValueOutOfRangeError(named, float(len(found)), float(count), float(count), "")
    return found[:count]


def draw_machines(prepared: Prepared, rng: np.random.Generator) -> list[Truth]:
    """`BLOCK` machines standing about, with what is wrong with them."""
    priors, behaviour = prepared.sets.priors, prepared.behaviour
    causes = rng.choice(len(priors.free), BLOCK, p=priors.free / priors.free.sum())
    at = causes.astype(np.int64)
    faults: list[list[int]] = [[] for _ in range(BLOCK)]
    raising = {cause.part for cause in prepared.machine.shared_causes.values()}
    parts = np.unique(behaviour.part_of)
    first = [p for p in parts.tolist() if _name(prepared, p) in raising]
    for part in (*first, *(p for p in parts.tolist() if p not in first)):
        own = np.flatnonzero(behaviour.part_of == part)
        odds = priors.odds[own][:, at]
        ends = np.cumsum(odds, axis=0) / (1.0 + odds.sum(axis=0))
        number = (rng.random(BLOCK) >= ends).sum(axis=0)
        for row in np.flatnonzero(number < len(own)).tolist():
            faults[row].append(int(own[number[row]]))
        for place in range(priors.n_free, len(priors.causes)):
            triggered = np.append(priors.triggers[place][own], False)[number]
            at |= triggered.astype(np.int64) << place
    loose = behaviour.loose
    (of_joints,) = rng.spawn(1)
    stands = of_joints.choice(np.arange(COMES_AND_GOES, N_MANNERS), BLOCK, p=SHARES)
    stands[[not loose[own].any() for own in faults]] = COMES_AND_GOES
    return [
        Truth(tuple(sorted(own)), int(there), int(manner))
        for own, there, manner in zip(faults, causes, stands, strict=True)
    ]


def _name(prepared: Prepared, part: int) -> str:
    fault = int(np.flatnonzero(prepared.behaviour.part_of == part)[0])
    return prepared.faults[fault][0]
