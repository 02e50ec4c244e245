"""The passes over fault sets and patterns, compiled.

What is added up over patterns is whole numbers (fixed point), so that any split of the patterns
over workers, and any order, gives the same bits.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator"

from __future__ import annotations

import math

from numba import njit

UNIT = 1 << 30
"""Whole numbers that stand for 1: a share is kept to a thousand millionth."""


@njit(cache=True, nogil=True)
def joint_of(members, own, free, good, odds, found):
    """(sets, free combinations) probability of each set with each combination.

    `members` are (sets, width) faults, padded behind with their number, `own` (sets,) the bits of
    the causes that are some failure in the set; `free`, `good` and `odds` are those of
    `diagnose.refit.model.Point`, `found` is the result.
    """
    none = odds.shape[0] - 1
    for row in range(members.shape[0]):
        for k in range(free.shape[0]):
            at = own[row] | k
            chance = free[k] * good[at]
            for place in range(members.shape[1]):
                fault = members[row, place]
                if fault >= none:
                    break
                chance *= odds[fault, at]
            found[row, k] = chance


@njit(cache=True, nogil=True)
def spread_of(  # noqa: PLR0913, PLR0917 - flat arrays for the compiler
    joint, members, own, part_of, weight, all_of, by_part, by_fault
):
    """Add up weights by combination, part and fault; see `diagnose.refit.model.Masses`.

    `joint`, `members` and `own` are as `joint_of` has them, `part_of` (faults,) is the part of
    each, `weight` (sets, free combinations) what each is multiplied by; the last three are results.
    """
    none = by_fault.shape[0]
    for row in range(members.shape[0]):
        for k in range(joint.shape[1]):
            mass = joint[row, k] * weight[row, k]
            if mass == 0.0:
                continue
            at = own[row] | k
            all_of[at] += mass
            for place in range(members.shape[1]):
                fault = members[row, place]
                if fault >= none:
                    break
                by_fault[fault, at] += mass
                by_part[part_of[fault], at] += mass


@njit(cache=True, nogil=True)
def pass_over(start, column, like, counts, chance, shares, each):
    """Go over patterns: how likely each is, and which fault sets it speaks for.

    Args:
        start: (patterns + 1,) first entry of each.
        column: (entries,) number of the fault set, with what was found of the causes.
        like: (entries,) likelihood.
        counts: (patterns,) orders of each.
        chance: (columns,) probability of each.
        shares: (columns,) whole numbers, `UNIT` for one order; added to.
        each: (patterns,) natural logarithm of the likelihood of each; result.

    Returns:
        The log likelihood of all orders, as a whole number of `UNIT`.
    """
    total = 0
    for row in range(counts.shape[0]):
        whole = 0.0
        for place in range(start[row], start[row + 1]):
            whole += like[place] * chance[column[place]]
        each[row] = math.log(max(whole, 1e-300))
        total += counts[row] * round(each[row] * UNIT)
        scale = UNIT / max(whole, 1e-300)
        for place in range(start[row], start[row + 1]):
            own = like[place] * chance[column[place]] * scale
            shares[column[place]] += counts[row] * round(own)
    return total
