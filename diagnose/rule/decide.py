"""The one rule: what to do next.

Tests are ranked by bits per added minute (`diagnose.rule.gate`). The first that is worth its
minutes is done: doing it and then repairing beats repairing now. When none is left, the repair
with the highest probability over cost is done, or the job is handed over where that is cheaper;
but nothing is handed over while testing on is worth more (`diagnose.rule.hand_over`). Who brought
the machine is taken at his word (`diagnose.rule.in_order`).

Advice, trials, the card, looking further ahead and the bench all ask `decide`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.rule import gate
from diagnose.rule.hand_over import LAST_LOOK, last_look, minutes_if_known, worth_testing_on
from diagnose.rule.in_order import MOST_IN_ORDER, Counting, at_his_word
from diagnose.rule.repair_kernels import repair_cost, weigh_tests
from diagnose.sums import inner

if TYPE_CHECKING:
    from diagnose.belief.survey import Survey
    from diagnose.rule.costs import Access, Costs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SCORE_DIGITS = 9
"""Scores are compared to so many decimals, so that ties fall alike on every computer."""

AS_GOOD_AS_PROVEN = 0.9
"""Share of what a repair is for; see `in_turn`."""

MOST_LIKELY_NOT = 0.5
"""A test that cannot be done with a higher chance than this is not offered."""

MOST_REPAIRS = 12
"""After so many repairs in one job it is handed over."""


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """Where a job stands, apart from what is believed.

    Attributes:
        open_areas: areas that stand open, as bits.
        barred: (tests,) whether each cannot be done (again) now.
        repairs_done: how many repairs were done.
        repaired: which repairs were done, as bits.
    """

    open_areas: int
    barred: NDArray[np.bool_]
    repairs_done: int = 0
    repaired: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What there is to decide between.

    Attributes:
        survey: what is to be expected.
        asked: the same as far as the customer is taken at his word; see `diagnose.rule.in_order`.
        explains: (faults,) 1 where the fault alone gives the complaint, now and then at least.
        hides: (faults,) share of the time that the machine runs with each fault alone.
        standing: where the job stands.
        access: what everything costs there.
        gain_bits: (tests,) what each would tell; 0 below the least that counts.
        added_minutes: (tests,) what each costs more than the repair will take anyway: an area that
            the repair has to open too, with some probability, is charged with the rest.
        rate: (tests,) bits per added minute.
        blame: (faults,) chance that each is what gives the complaint, if anything is wrong.
        repair_minutes: expected, without further tests.
        hand_over_minutes: of handing over now, with the work that is left to the specialist.
        first_repair: repair to begin with, -1 to hand over.
        wanted_repair: the one that it is for: the same, or what it is done before on every job.
        last_look: see `diagnose.rule.hand_over`; 0 for none.
    """

    survey: Survey
    asked: Survey
    explains: Floats
    hides: Floats
    standing: Standing
    access: Access
    gain_bits: Floats
    added_minutes: Floats
    rate: Floats
    blame: Floats
    repair_minutes: float
    hand_over_minutes: float
    first_repair: int
    wanted_repair: int
    last_look: float = LAST_LOOK

    def ranked(self, score: Floats, least_bits: float = 0.0) -> Ints:
        """Tests that can be done and tell enough: highest score first, then fewest minutes."""
        tests = np.flatnonzero(~self.standing.barred & (self.gain_bits > least_bits))
        rounded = np.round(score[tests], SCORE_DIGITS)
        order = np.lexsort((tests, self.access.test_minutes[tests], -rounded))
        found: Ints = tests[order]
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Decision:
    """What to do, and what spoke for it.

    Attributes:
        outlook: what there was to decide between.
        action: number of the action; see `Costs`.
        later_minutes: (tests,) expected minutes to repair after each test, its own not included;
            infinite where that was not worked out.
        worth: (tests,) whether doing it first pays, as far as that was worked out.
    """

    outlook: Outlook
    action: int
    later_minutes: Floats
    worth: NDArray[np.bool_]


def look(
    survey: Survey,
    explains: Floats,
    costs: Costs,
    standing: Standing,
    hides: Floats | None = None,
    *,
    most_in_order: float = MOST_IN_ORDER,
    last_look: float = LAST_LOOK,
) -> Outlook:
    """What there is to decide between.

    Args:
        survey: what is to be expected.
        explains: (faults,) 1 where the fault alone gives the complaint.
        costs: of the machine.
        standing: where the job stands.
        hides: (faults,) share of the time that the machine runs with each fault alone; None: never.
        most_in_order: so far it is believed that nothing is wrong; see `diagnose.rule.in_order`.
        last_look: before handing over; see `diagnose.rule.hand_over`. 0 for none.
    """
    access = costs.at(standing.open_areas)
    cannot = costs.tests.cannot
    if cannot is not None:
        never = survey.chance[survey.start[:-1] + cannot] > MOST_LIKELY_NOT
        standing = replace(standing, barred=standing.barred | (never & (cannot >= 0)))
    hides = np.zeros(len(explains)) if hides is None else hides
    counting = Counting(explains, hides, costs.tests.moving, most_in_order)
    asked = at_his_word(survey, counting)
    blame, amiss = asked.faults * explains, 1.0 - asked.in_order
    blame /= max(float(blame.sum()), amiss, 1e-300)
    minutes, first, handed_over = repair_cost(
        costs.tables, blame * amiss, 1.0, asked.in_order, standing.open_areas,
        costs.hand_over_minutes, hides,
    )  # fmt: skip
    opened = gate.chance_opened(blame, costs.fault_way)
    added = gate.added_minutes(access.test_minutes, access.test_opening, opened)
    gains = np.where(asked.gain_bits > gate.MINIMUM_GAIN_BITS, asked.gain_bits, 0.0)
    return Outlook(
        survey=survey,
        asked=asked,
        explains=explains,
        hides=hides,
        standing=standing,
        access=access,
        gain_bits=gains,
        added_minutes=added,
        rate=gate.bits_per_minute(gains, added),
        blame=blame,
        repair_minutes=float(minutes),
        hand_over_minutes=float(handed_over),
        first_repair=in_turn(costs, int(first), standing, blame),
        wanted_repair=int(first),
        last_look=last_look,
    )


def in_turn(costs: Costs, repair: int, standing: Standing, blame: Floats) -> int:
    """A repair, or what is to be done before it on every job and was not.

    Args:
        costs: of the machine.
        repair: number of the repair, -1 for handing over.
        standing: where the job stands.
        blame: (faults,) chance that each is what gives the complaint.
    """
    repairs = costs.repairs
    if repair < 0 or repairs.after is None or repairs.unless is None:
        return repair
    before = int(repairs.after[repair])
    if before < 0 or standing.repaired >> before & 1:
        return repair
    meant, proven = inner(repairs.fixes[repair], blame), inner(repairs.unless[repair], blame)
    return repair if proven > AS_GOOD_AS_PROVEN * meant else before


def decide(outlook: Outlook, costs: Costs, *, every: bool = False) -> Decision:
    """What to do next.

    Args:
        outlook: what there is to decide between, from `look`.
        costs: of the machine.
        every: work out for every test whether it is worth its minutes, not only up to the first
            that is; the action is the same.
    """
    return choose(outlook, costs, gate_ranking(outlook, costs), every=every)


def gate_ranking(outlook: Outlook, costs: Costs) -> Ints:
    """Tests that may be worth their minutes, most bits per added minute first."""
    ranked = outlook.ranked(outlook.rate)
    found: Ints = ranked[outlook.rate[ranked] >= _least_rate(outlook, costs)]
    return found


def choose(outlook: Outlook, costs: Costs, ranked: Ints, *, every: bool = False) -> Decision:
    """The first test of a ranking that is worth its minutes, else the repair, else handing over.

    Args:
        outlook: what there is to decide between.
        costs: of the machine.
        ranked: tests in question, best first.
        every: as in `decide`; then the tests that are not in question are worked out as well.
    """
    later = np.full(costs.n_tests, np.inf)
    worth = np.zeros(costs.n_tests, dtype=np.bool_)
    survey, access = outlook.asked, outlook.access
    weighed = ranked
    if every:
        rest = np.flatnonzero(~outlook.standing.barred)
        weighed = np.concatenate([ranked, rest[~np.isin(rest, ranked)]])
    # A last look may be taken at what is not worth its minutes by itself, so all are weighed.
    may_look = outlook.first_repair < 0 and outlook.last_look > 0.0
    weigh_tests(
        costs.tables, survey.start, survey.chance, survey.joint, survey.fine, outlook.explains,
        weighed, access.test_minutes, access.test_opens, costs.hand_over_minutes, outlook.hides,
        outlook.repair_minutes, every or may_look, later, worth,
    )  # fmt: skip
    worth[~np.isin(np.arange(costs.n_tests), ranked)] = False
    if outlook.first_repair < 0 and not worth.any():
        if _rather_test_on(outlook, costs, ranked):
            worth[ranked[0]] = True
        elif may_look:
            worth[_last_look(outlook, ranked, later)] = True
    doing = ranked[worth[ranked]]
    action = int(doing[0]) if len(doing) else repair_action(outlook, costs)
    return Decision(outlook, action, later, worth)


def repair_action(outlook: Outlook, costs: Costs) -> int:
    """The repair with the highest probability over cost, or to hand over."""
    if outlook.first_repair < 0 or outlook.standing.repairs_done >= MOST_REPAIRS:
        return costs.hand_over
    return costs.n_tests + outlook.first_repair


def _least_rate(outlook: Outlook, costs: Costs) -> float:
    """Bits per added minute below which the first repair is the quicker way to find out."""
    first, repairs = outlook.first_repair, costs.repairs
    if first < 0:
        return 0.0
    return gate.least_bits_per_minute(
        outlook.blame,
        inner(repairs.fixes[first], outlook.blame),
        float(outlook.access.repair_minutes[first]),
        new_part=bool(repairs.new_part[first]),
    )


def _rather_test_on(outlook: Outlook, costs: Costs, ranked: Ints) -> bool:
    """Whether testing on is worth more than handing over; see `diagnose.rule.hand_over`."""
    if not len(ranked):
        return False
    fixes, licensed = costs.repairs.fixes, costs.repairs.licensed
    known = minutes_if_known(
        outlook.blame,
        fixes if licensed is None else fixes * ~licensed[:, None],
        outlook.access.repair_minutes,
        costs.hand_over_minutes,
    )
    doubt = gate.doubt_bits(outlook.blame)
    rate = float(outlook.rate[ranked[0]])
    amiss = 1.0 - outlook.asked.in_order
    return worth_testing_on(amiss * known, doubt, rate, outlook.repair_minutes)


def _last_look(outlook: Outlook, ranked: Ints, later: Floats) -> Ints:
    """The test to be done before the job is handed over, of those weighed; empty for none."""
    minutes, saved = outlook.access.test_minutes[ranked], outlook.repair_minutes - later[ranked]
    place = last_look(minutes, saved, outlook.last_look)
    return ranked[place : place + 1] if place >= 0 else ranked[:0]
