"""Measuring along the wiring, from the battery to the load, as the trade teaches it.

What a good technician knows without a computer: which measuring points lie on the way to what is
complained about, what each must read with everything good, and, by exclusion, which single faults
are still left after what he has found. He does not know how likely each is to the last digit, nor
that a reading not yet taken must come out good because of something found elsewhere. So

1. he looks and listens from the seat, then measures from the battery outwards, point by point,
   leaving out nothing but what lies behind a dead point, until the volts are lost: until no point
   on the way can tell apart what is left;
2. he looks closer at what is left, the quickest test first, as long as it is quicker than the
   repair he would begin with;
3. he repairs what is left, with the odds in mind as everybody else, and after a repair in vain
   goes on where he was.

Common practice, no source. A finding is trusted as long as the fault it speaks against is less
than `TRUSTED` times as well in line with all findings as the best.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from diagnose.ahead.world import SHOWS
from diagnose.belief.situation import seen_to_do
from diagnose.circuit.wiring import make_sites
from diagnose.faults.manners import ANY
from diagnose.rule.decide import MOST_REPAIRS, repair_action

if TYPE_CHECKING:
    from diagnose.ahead.desk import Desk, DeskState
    from diagnose.machine.model import Machine
    from diagnose.rule.decide import Outlook
    from diagnose.rule.prepared import Prepared

Ints = NDArray[np.int64]

TRUSTED = 0.05
"""Slips are rarer than this, so one plain finding excludes; an unclear one does not. Estimate."""


@dataclass(frozen=True, slots=True, eq=False)
class Wiring:
    """What the wiring diagram tells.

    Attributes:
        single: (faults,) whether it gives the complaint by itself.
        prior: (faults,) how likely each is alone, before anything is found.
        shows: (faults, tests) likeliest outcome of each test.
        good: (tests,) the same with everything good.
        on_the_way: tests in the order of the wiring; see `_on_the_way`.
    """

    single: NDArray[np.bool_]
    prior: NDArray[np.float64]
    shows: Ints
    good: Ints
    on_the_way: tuple[int, ...]


def read_wiring(prepared: Prepared, complaint: str) -> Wiring:
    """The wiring as a technician reads it, for one complaint."""
    columns, solved = prepared.sets.columns, prepared.sets.now()
    n = solved.n_faults
    rows = solved.pair_row[np.arange(n + 1), n].astype(np.int64)
    shows = np.empty((n + 1, len(columns.tests)), dtype=np.int64)
    there = prepared.sets.there(solved, rows, np.ones(len(prepared.sets.priors.free)))
    for number, test in enumerate(columns.tests):
        column, outcomes = int(columns.column[number]), len(test.outcomes)
        if column >= 0:
            table = solved.chances.of(number, outcomes)[ANY]
            shows[:, number] = table[solved.place[rows, column]].argmax(axis=1)
        else:
            p = there[:, columns.cause[number], None]
            absent, present = columns.by_cause[number][:, :outcomes]
            shows[:, number] = ((1.0 - p) * absent + p * present).argmax(axis=1)
    single = prepared.explains[complaint] >= SHOWS
    order = source_to_load(prepared.machine)
    on_the_way = _on_the_way(order, shows[:-1][single], shows[-1])
    return Wiring(single, solved.prior[rows[:-1]], shows[:-1], shows[-1], on_the_way)


def source_to_load(machine: Machine) -> tuple[int, ...]:
    """What can be seen and heard from the seat, then what is measured, battery first.

    A measurement between two nets counts where the farther one lies. Looking at parts, moving
    joints and measuring parts by themselves are left out: along the wiring one follows the volts.
    Common practice, no source.
    """
    tree = make_sites(machine)
    seen, measured = [], []
    for number, test in enumerate(machine.tests.values()):
        if test.kind in {"look", "listen"} and test.function is not None:
            seen.append(number)
        elif test.kind == "load_test":
            measured.append((0, 0, number))
        elif test.kind in {"volts", "lamp", "drop"} and test.probes is not None:
            sites = [tree.site_of_net[net] for net in test.probes if net in tree.site_of_net]
            depth = max((len(tree.path(site)) for site in sites), default=1)
            measured.append((depth, max(sites, default=0), number))
    return (*seen, *(number for _, _, number in sorted(measured)))


def _on_the_way(
    order: tuple[int, ...], shows: NDArray[np.int64], good: NDArray[np.int64]
) -> tuple[int, ...]:
    """Points that some fault makes read otherwise, each once.

    Beyond a branch, and with a lamp after the meter, one may find nothing that an earlier point
    has not told, whichever single fault it is: such points are left out.
    """
    found: list[int] = []
    for test in order:
        told = any(_follows(shows[:, test], shows[:, before]) for before in found)
        if (shows[:, test] != good[test]).any() and not told:
            found.append(test)
    return tuple(found)


def _follows(one: NDArray[np.int64], other: NDArray[np.int64]) -> bool:
    """Whether the outcome of the other test settles that of the one, whichever fault it is."""
    return all(np.ptp(one[other == outcome]) == 0 for outcome in np.unique(other))


class SourceToLoad:
    """The policy."""

    def __init__(self) -> None:
        """The wiring is read when the first job comes."""
        self._read: dict[int, tuple[Desk, dict[str, Wiring]]] = {}

    def decide(self, bench: Any, state: Any) -> int:
        """See `diagnose.ahead.expected.Policy`."""
        outlook, costs = bench.outlook(state), bench.costs
        repair = repair_action(outlook, costs)
        trying = int(costs.tests.trying).bit_length() - 1
        if trying >= 0 and not state.standing.repairs_done and not outlook.standing.barred[trying]:
            return trying
        wiring = self._wiring(bench, state)
        left = _left(wiring, bench.alone(state))
        sure = bool(costs.repairs.fixes[:, left].all(axis=1).any())
        if state.standing.repairs_done >= MOST_REPAIRS or not len(left) or sure:
            return repair
        test = _next_point(wiring, outlook, wiring.shows[left])
        if test < 0:
            minutes = outlook.hand_over_minutes
            if repair != costs.hand_over:
                minutes = float(outlook.access.repair_minutes[repair - costs.n_tests])
            test = _closer_look(outlook, wiring.shows[left], minutes)
        return test if test >= 0 else repair

    def _wiring(self, bench: Desk, state: DeskState) -> Wiring:
        """The wiring for what the machine was last seen to do."""
        if id(bench) not in self._read:
            self._read[id(bench)] = bench, {}
        shown = seen_to_do(bench.prepared.machine, state.situation)
        read = self._read[id(bench)][1]
        if shown not in read:
            read[shown] = read_wiring(bench.prepared, shown)
        return read[shown]


def _left(wiring: Wiring, alone: NDArray[np.float64]) -> Ints:
    """Single faults that what was found has not excluded."""
    fits = np.where(wiring.single, alone / np.maximum(wiring.prior, 1e-300), 0.0)
    return np.flatnonzero((fits > 0.0) & (fits >= TRUSTED * fits.max(initial=0.0)))


def _next_point(wiring: Wiring, outlook: Outlook, shows: Ints) -> int:
    """The next point to measure; -1 when the volts are lost, or all is measured."""
    alike = (shows == shows[0]).all(axis=0)
    ahead = [test for test in wiring.on_the_way if not outlook.standing.barred[test]]
    if all(alike[test] for test in ahead):
        return -1
    behind = alike & (shows[0] != wiring.good)
    return next(test for test in ahead if not behind[test])


def _closer_look(outlook: Outlook, shows: Ints, repair_minutes: float) -> int:
    """The quickest test that tells apart what is left, if quicker than the repair; else -1."""
    minutes = outlook.access.test_minutes
    telling = ~outlook.standing.barred & (shows != shows[0]).any(axis=0)
    tests = np.flatnonzero(telling & (minutes < repair_minutes))
    return int(tests[np.argmin(minutes[tests])]) if len(tests) else -1
