"""Expected cost of repairing without further tests, in compiled code; see `diagnose.rule.costs`.

All in one file, because numba's cache on disk does not notice a change in a function that was
compiled in from another.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import numpy as np

from diagnose.compiled import njit

TINY = 1e-9
"""A chance per minute, or a saving in minutes, no larger than this is rounding."""


@njit(nogil=True)
def opening_of(way, open_areas, area_minutes):
    """Minutes to open what is not open yet of some areas, given as bits."""
    found, left, area = 0.0, way & ~open_areas, 0
    while left:
        if left & 1:
            found += area_minutes[area]
        left >>= 1
        area += 1
    return found


@njit(nogil=True)
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


@njit(nogil=True)
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


@njit(nogil=True)
def best_ratio(listed, chance, minutes):
    """The listed repair with the highest chance per minute, the first of equals; -1 for none."""
    pick, ratio = -1, TINY
    for r in listed:
        value = chance[r] / minutes[r]
        if value > ratio or (value == ratio and r < pick):
            pick, ratio = r, value
    return pick


@njit(nogil=True)
def strike_out(tables, repair, guilty, chance):
    """Take what a repair fixes out of the chances of all repairs.

    Returns:
        The specialist's minutes for it, by its chances.
    """
    spared = 0.0
    for i in range(tables.repair_start[repair], tables.repair_start[repair + 1]):
        f = tables.repair_fault[i]
        if guilty[f] > 0.0:
            for j in range(tables.fault_start[f], tables.fault_start[f + 1]):
                chance[tables.fault_repair[j]] -= guilty[f]
            spared += guilty[f] * tables.fault_minutes[f]
            guilty[f] = 0.0
    chance[repair] = 0.0
    return spared


@njit(nogil=True)
def taken_for_mended(tables, hides, guilty, chance):
    """Take out of the chances what is still wrong but does not show in the check after a repair.

    Returns:
        Chance of that, and the specialist's minutes for it, by the chances.
    """
    gone, minutes = 0.0, 0.0
    for f in range(guilty.shape[0]):
        if guilty[f] > 0.0 and hides[f] > 0.0:
            part = guilty[f] * hides[f]
            for j in range(tables.fault_start[f], tables.fault_start[f + 1]):
                chance[tables.fault_repair[j]] -= part
            guilty[f] -= part
            gone += part
            minutes += part * tables.fault_minutes[f]
    return gone, minutes


@njit(nogil=True)
def repair_cost(tables, guilty, total, fine, open_areas, hand_over_minutes, hides):
    """Expected minutes of repairing without further tests, and the repair to begin with.

    A machine that is in order is given back at once, or runs after the first repair. One that is
    not, but runs when it is tried after a repair that was none, comes back: what is wrong is handed
    over then.

    Args:
        tables: `RepairTables`.
        guilty: (faults,) chance that each gives the complaint, not normalised; used up.
        total: probability of what they are joint with.
        fine: probability that the machine is in order, joint with the same.
        open_areas: areas that stand open, as bits.
        hand_over_minutes: handing over.
        hides: (faults,) share of the time that the machine runs with each.

    Returns:
        Minutes, a repair or -1 to hand over at once, and the minutes of handing over at once.
    """
    n_repairs = tables.repair_own.shape[0]
    chance, minutes = np.zeros(n_repairs), np.zeros(n_repairs)
    amiss = max(total - fine, 0.0) / max(total, 1e-300)
    whole = max(guilty.sum(), total - fine)
    if whole > 0.0:
        guilty /= whole
    room = np.empty(n_repairs, np.int32)
    listed = room[: list_chances(tables, guilty, chance, room)]
    set_minutes(tables, listed, open_areas, minutes)
    remaining, spent, left = 1.0, 0.0, 0.0
    for f in range(guilty.shape[0]):
        left += guilty[f] * tables.fault_minutes[f]
    at_once = amiss * (hand_over_minutes + left)
    best, begin, first, in_vain = at_once, -1, -1, 0.0
    for _ in range(listed.shape[0]):
        pick = best_ratio(listed, chance, minutes)
        if pick < 0:
            break
        if first < 0:
            first, in_vain = pick, (1.0 - amiss) * minutes[pick]
        spent += minutes[pick] * remaining - tables.repair_waste[pick] * chance[pick]
        remaining -= chance[pick]
        left -= strike_out(tables, pick, guilty, chance)
        gone, elsewhere = taken_for_mended(tables, hides, guilty, chance)
        spent += gone * hand_over_minutes + elsewhere
        remaining -= gone
        left -= elsewhere
        handed_over = spent + max(remaining, 0.0) * hand_over_minutes + max(left, 0.0)
        handed_over = amiss * handed_over + in_vain
        if handed_over < best:
            best, begin = handed_over, first
        if amiss * spent + in_vain >= best:
            break
        if tables.repair_way[pick] & ~open_areas:
            open_areas |= tables.repair_way[pick]
            set_minutes(tables, listed, open_areas, minutes)
    return best, begin, at_once


@njit(nogil=True)
def weigh_tests(  # noqa: PLR0913, PLR0917 - flat arrays for the compiler
    tables, start, chance, joint, fine, explains, ranked, minutes, opened, hand_over, hides, limit,
    every, later, worth,
):  # fmt: skip
    """Expected minutes of repairing after each test, and whether doing it first saves minutes.

    Args:
        tables: `RepairTables`.
        start: (tests + 1,) first outcome of each test.
        chance: (outcomes,) probability of each outcome.
        joint: (outcomes, faults) probability of each fault together with each outcome.
        fine: (outcomes,) probability that the machine is in order together with each outcome.
        explains: (faults,) 1 where the fault alone gives the complaint.
        ranked: tests, best first.
        minutes: (tests,) opening included.
        opened: (tests,) areas open after each, as bits.
        hand_over: minutes of handing over.
        hides: (faults,) share of the time that the machine runs with each.
        limit: minutes of repairing without tests.
        every: whether to go on behind the first that is worth its minutes.
        later: (tests,) result, the test's own minutes not included; those not reached keep theirs.
        worth: (tests,) result; those not reached keep theirs.
    """
    guilty = np.empty(explains.shape[0])
    for t in ranked:
        if minutes[t] >= limit and not every:
            continue
        spent = 0.0
        for o in range(start[t], start[t + 1]):
            if chance[o] > 0.0:
                for f in range(guilty.shape[0]):
                    guilty[f] = joint[o, f] * explains[f]
                cost, _, _ = repair_cost(
                    tables, guilty, chance[o], fine[o], opened[t], hand_over, hides
                )
                spent += chance[o] * cost
        later[t] = spent
        worth[t] = minutes[t] + spent < limit - TINY
        if worth[t] and not every:
            return
