"""Expected cost of repairing without further tests, in compiled code; see `repair_cost`.

First over the chances of single faults, as the network gives them; then over weighted fault sets
(hypotheses), as the decision problems hold them. Both are in one file because numba's cache on
disk does not notice a change in a function that was compiled in from another.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np
from numba import njit

TINY = 1e-9
"""A chance per minute, or a saving in minutes, no larger than this is rounding."""


@njit(cache=True, nogil=True)
def opening_of(way, open_areas, area_minutes):
    """Minutes to open what is not open yet of some areas, given as bits."""
    found, left, area = 0.0, way & ~open_areas, 0
    while left:
        if left & 1:
            found += area_minutes[area]
        left >>= 1
        area += 1
    return found


@njit(cache=True, nogil=True)
def list_chances(tables, guilty, chance, listed):
    """Fill in the chance of every repair and list those that have one; how many there are."""
    count = 0
    for f in range(guilty.shape[0]):
        if guilty[f] > 0.0:
            for i in range(tables.fault_start[f], tables.fault_start[f + 1]):
                r = tables.fault_repair[i]
                if chance[r] == 0.0:
                    listed[count] = r
                    count += 1
                chance[r] += guilty[f]
    return count


@njit(cache=True, nogil=True)
def set_minutes(tables, listed, open_areas, minutes):
    """Fill in what the listed repairs cost with these areas open, a good part's worth included.

    With it the best order is still that of chance per minute: of
    `c (1 - sum before) + w (1 - sum with it) = (c + w) (1 - sum before) - w p`
    the last term is the same in every order.
    """
    for r in listed:
        way = tables.repair_way[r]
        own = tables.repair_own[r] + tables.repair_waste[r]
        minutes[r] = own + opening_of(way, open_areas, tables.area_minutes)


@njit(cache=True, nogil=True)
def best_ratio(listed, chance, minutes):
    """The listed repair with the highest chance per minute, the first of equals; -1 for none."""
    pick, ratio = -1, TINY
    for r in listed:
        value = chance[r] / minutes[r]
        if value > ratio or (value == ratio and r < pick):
            pick, ratio = r, value
    return pick


@njit(cache=True, nogil=True)
def strike_out(tables, repair, guilty, chance):
    """Take what a repair fixes out of the chances of all repairs."""
    for i in range(tables.repair_start[repair], tables.repair_start[repair + 1]):
        f = tables.repair_fault[i]
        if guilty[f] > 0.0:
            for j in range(tables.fault_start[f], tables.fault_start[f + 1]):
                chance[tables.fault_repair[j]] -= guilty[f]
            guilty[f] = 0.0
    chance[repair] = 0.0


@njit(cache=True, nogil=True)
def repair_cost(tables, guilty, total, open_areas, escalate_minutes):
    """Expected minutes of repairing without further tests, and the repair to begin with.

    Args:
        tables: `RepairTables` of `repair_cost`, or any named tuple with these fields.
        guilty: (faults,) chance that each gives the complaint, not normalised; used up.
        total: probability of what they are joint with.
        open_areas: areas that stand open, as bits.
        escalate_minutes: handing over.

    Returns:
        Minutes, and a repair or -1 to hand over at once.
    """
    n_repairs = tables.repair_own.shape[0]
    chance, minutes = np.zeros(n_repairs), np.zeros(n_repairs)
    whole = max(guilty.sum(), total)
    if whole > 0.0:
        guilty /= whole
    room = np.empty(n_repairs, np.int32)
    listed = room[: list_chances(tables, guilty, chance, room)]
    set_minutes(tables, listed, open_areas, minutes)
    remaining, spent = 1.0, 0.0
    best, begin, first = escalate_minutes, -1, -1
    for _ in range(listed.shape[0]):
        pick = best_ratio(listed, chance, minutes)
        if pick < 0:
            break
        first = pick if first < 0 else first
        spent += minutes[pick] * remaining - tables.repair_waste[pick] * chance[pick]
        remaining -= chance[pick]
        strike_out(tables, pick, guilty, chance)
        handed_over = spent + max(remaining, 0.0) * escalate_minutes
        if handed_over < best:
            best, begin = handed_over, first
        if spent >= best:
            break
        if tables.repair_way[pick] & ~open_areas:
            open_areas |= tables.repair_way[pick]
            set_minutes(tables, listed, open_areas, minutes)
    return best, begin


@njit(cache=True, nogil=True)
def repair_costs(tables, guilty, open_areas, escalate_minutes, costs, first):
    """The same for many cases, each with a total of 1; see `minutes_of_repair`."""
    for case in range(guilty.shape[0]):
        costs[case], first[case] = repair_cost(
            tables, guilty[case].copy(), 1.0, open_areas[case], escalate_minutes
        )


@njit(cache=True, nogil=True)
def blame(tables, active, weight, outcome, guilty):
    """Chance that each fault is what gives the complaint, joint with an outcome.

    Args:
        tables: of the problem.
        active: (n,) hypotheses with weight.
        weight: (n,) their probabilities.
        outcome: column of `tables.like`, -1 for none.
        guilty: (faults,) result, not normalised.

    Returns:
        The probability of the outcome.
    """
    guilty[:] = 0.0
    total = 0.0
    for a in range(active.shape[0]):
        h = active[a]
        w = weight[a]
        if outcome >= 0:
            w *= tables.like[h, outcome]
        total += w
        for k in range(tables.faults_of.shape[1]):
            f = tables.faults_of[h, k]
            if f < 0:
                break
            guilty[f] += w * tables.explains[f]
    return total


@njit(cache=True, nogil=True)
def repair_now(tables, active, weight, open_areas, escalate_minutes, guilty):
    """Minutes and first repair without further tests; `guilty` (faults,) is left normalised."""
    total = blame(tables, active, weight, -1, guilty)
    cost, first = repair_cost(tables, guilty.copy(), total, open_areas, escalate_minutes)
    guilty /= max(guilty.sum(), total)
    return cost, first


@njit(cache=True, nogil=True)
def minutes_after(tables, active, weight, test, open_areas, escalate_minutes):
    """Expected minutes of repairing after a test, its own minutes not included."""
    guilty = np.empty(tables.explains.shape[0])
    later = 0.0
    for o in range(tables.start[test], tables.start[test + 1]):
        p = blame(tables, active, weight, o, guilty)
        if p > 0.0:
            cost, _ = repair_cost(tables, guilty, p, open_areas, escalate_minutes)
            later += p * cost
    return later


@njit(cache=True, nogil=True)
def first_worth_doing(  # noqa: PLR0913, PLR0917 - flat arrays for the compiler
    tables, active, weight, ranked, minutes, opened, escalate_minutes, limit
):
    """The first test of a ranking that is expected to save minutes; -1 when none is.

    Args:
        tables: of the problem.
        active: hypotheses with weight.
        weight: their probabilities.
        ranked: tests, best first.
        minutes: (tests,) opening included.
        opened: (tests,) areas open after each, as bits.
        escalate_minutes: handing over.
        limit: minutes of repairing without tests.
    """
    for i in range(ranked.shape[0]):
        test = ranked[i]
        if minutes[test] < limit:
            later = minutes_after(tables, active, weight, test, opened[test], escalate_minutes)
            if minutes[test] + later < limit - TINY:
                return test
    return -1
