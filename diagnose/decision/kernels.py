"""Inner loops over the active hypotheses."""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import math

import numpy as np
from numba import njit

TINY = 1e-9


@njit(cache=True, nogil=True)
def survey(tables, active, weight, chance, gain):
    """Chance of every outcome and gain of every test.

    Args:
        tables: of the problem.
        active: (n,) hypotheses with weight.
        weight: (n,) their probabilities, summing to 1.
        chance: (outcomes,) result.
        gain: (tests,) result, bits: H(T) - sum_h P(h) H(T | h).
    """
    chance[:] = 0.0
    gain[:] = 0.0
    like, noise = tables.like, tables.noise
    for a in range(active.shape[0]):
        h, w = active[a], weight[a]
        for o in range(like.shape[1]):
            chance[o] += w * like[h, o]
        for t in range(noise.shape[1]):
            gain[t] -= w * noise[h, t]
    for t in range(noise.shape[1]):
        for o in range(tables.start[t], tables.start[t + 1]):
            if chance[o] > 0.0:
                gain[t] -= chance[o] * math.log2(chance[o])


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
def opening(way, open_areas, area_minutes):
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
    """Fill in what the listed repairs cost with these areas open."""
    for r in listed:
        way = tables.repair_way[r]
        minutes[r] = tables.repair_own[r] + opening(way, open_areas, tables.area_minutes)


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

    The rule of `diagnose.advice.repair_cost.expected_minutes`, over the faults that have weight
    only, and with what an earlier repair has opened staying open.

    Args:
        tables: of the problem.
        guilty: (faults,) from `blame`; used up.
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
        spent += minutes[pick] * remaining
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


@njit(cache=True, nogil=True)
def observe(like, active, weight, outcome, floor):
    """The belief after an outcome: active hypotheses, weights summing to 1, P(outcome)."""
    n = active.shape[0]
    found = np.empty(n)
    total = 0.0
    for a in range(n):
        found[a] = weight[a] * like[active[a], outcome]
        total += found[a]
    keep_active = np.empty(n, np.int32)
    keep = np.empty(n)
    kept, left = 0, 0.0
    for a in range(n):
        if found[a] > floor * total:
            keep_active[kept], keep[kept] = active[a], found[a]
            left += found[a]
            kept += 1
    return keep_active[:kept].copy(), keep[:kept] / max(left, 1e-300), total


@njit(cache=True, nogil=True)
def after_repair(after, bad, joined, same, active, weight, floor):
    """The belief after a repair whose check still shows the complaint.

    Args:
        after: (hypotheses,) the hypothesis without the faults fixed.
        bad: (faults,) chance that the new part has each fault.
        joined: (hypotheses, faults) the hypothesis with one fault more, -1 where there is none.
        same: (hypotheses,) chance that the check says the complaint is still there.
        active: hypotheses with weight before.
        weight: their probabilities.
        floor: share of the total below which a hypothesis is dropped.

    Returns:
        Active hypotheses, weights, and the chance that the complaint is still there.
    """
    found = np.zeros(same.shape[0])
    for a in range(active.shape[0]):
        h = after[active[a]]
        left = weight[a]
        for f in range(bad.shape[0]):
            if bad[f] > 0.0 and joined[h, f] >= 0:
                found[joined[h, f]] += weight[a] * bad[f]
                left -= weight[a] * bad[f]
        found[h] += left
    total = 0.0
    for h in range(found.shape[0]):
        found[h] *= same[h]
        total += found[h]
    count = 0
    for h in range(found.shape[0]):
        count += found[h] > floor * total
    keep_active, keep = np.empty(count, np.int32), np.empty(count)
    kept, left = 0, 0.0
    for h in range(found.shape[0]):
        if found[h] > floor * total:
            keep_active[kept], keep[kept] = h, found[h]
            left += found[h]
            kept += 1
    return keep_active, keep / max(left, 1e-300), total
