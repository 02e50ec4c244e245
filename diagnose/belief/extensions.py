"""What one fault more could explain, for many fault sets side by side.

For a set S and a fault f beyond it, each finding is looked up in the pairs {a, f}, a in S, which
are solved. If f changes nothing there, it is *silent*: S with f weighs what S weighs times the odds
of f, and need not be solved. Otherwise f is *loud*, and S with f weighs at most

    w(S) odds(f) prod_i min( max_a L_i({a, f}) / L_i({a}),  max L_i / L_i(S) ).

So every larger set is a set that was looked at with silent faults added, or is bounded. Faults are
taken in one order, the likeliest first, and a set is extended only by later ones: each larger set
is met once, below its own beginning (set enumeration; Rymon 1992).
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator"

from __future__ import annotations

import numpy as np
from numba import njit

INVERSE = (1.0, 1.0, 1.0 / 2.0, 1.0 / 3.0, 1.0 / 4.0, 1.0 / 5.0, 1.0 / 6.0)

SAME = 1e-3
"""Likelihoods that differ by no more than this part are the same."""


@njit(cache=True, nogil=True)
def compare_pairs(pair_like, quiet, change, ceiling):
    """What each fault changes of everything found, beside each other one.

    Args:
        pair_like: (findings, faults + 1, faults + 1) likelihood under every pair, -1 unsolved.
        quiet: (faults + 1, faults) result: whether all findings are as likely under the pair as
            under the first fault alone. The last row stands for no fault.
        change: (faults + 1, faults, findings) result: likelihood under the pair over that under
            the first fault alone.
        ceiling: (faults + 1, faults) result: product of all changes for the better.
    """
    none = quiet.shape[1]
    for a in range(none + 1):
        for f in range(none):
            quiet[a, f] = True
            ceiling[a, f] = 1.0
    for i in range(pair_like.shape[0]):
        base = pair_like[i, none, none]
        for a in range(none + 1):
            alone = pair_like[i, a, a]
            for f in range(none):
                with_f, without = pair_like[i, a, f], alone
                if with_f < 0.0:
                    with_f, without = pair_like[i, f, f], base
                if abs(with_f - without) > SAME * without:
                    quiet[a, f] = False
                change[a, f, i] = with_f / max(without, 1e-12)
                ceiling[a, f] *= max(change[a, f, i], 1.0)


@njit(cache=True, nogil=True)
def reach(pair_like, order, ahead):
    """The largest likelihood that a later fault can bring about beside each fault.

    Args:
        pair_like: as in `compare_pairs`.
        order: (faults,) faults in the order they are taken in.
        ahead: (findings, faults + 1, faults + 1) result: by finding, fault and place in the order,
            over all faults from that place on; 0 beyond the last.
    """
    none = order.shape[0]
    for i in range(pair_like.shape[0]):
        for a in range(none + 1):
            ahead[i, a, none] = 0.0
            for place in range(none - 1, -1, -1):
                f = order[place]
                with_f = pair_like[i, a, f]
                if with_f < 0.0:
                    with_f = max(pair_like[i, f, f], pair_like[i, a, a])
                ahead[i, a, place] = max(ahead[i, a, place + 1], with_f)


@njit(cache=True, nogil=True)
def room_of(members, like, ahead, rank, last, room):
    """By what later faults can raise the likelihood of each set, at most.

    Args:
        members: (sets, width) faults, padded with the number that stands for none.
        like: (findings, sets) likelihood of each.
        ahead: from `reach`.
        rank: (faults + 1,) place of each fault in the order, -1 for none.
        last: (sets,) result: place of the last fault of each.
        room: (sets,) result, at least 1.
    """
    none = rank.shape[0] - 1
    for s in range(members.shape[0]):
        last[s], size = -1, 0
        for k in range(members.shape[1]):
            last[s] = max(last[s], rank[members[s, k]])
            size += members[s, k] != none
        room[s] = 1.0
        for i in range(like.shape[0]):
            best = like[i, s]
            for k in range(max(size, 1)):
                best = max(best, ahead[i, members[s, k], last[s] + 1])
            room[s] *= best / max(like[i, s], 1e-12)


@njit(cache=True, nogil=True)
def extend(  # noqa: C901, PLR0912, PLR0913, PLR0917 - one pass over flat arrays for the compiler
    parents, members, weight, like, most, room, last, quiet, change, ceiling, order, part_of,
    ratio, looked_at, least, noted, bound, extra, silent, loud,
):  # fmt: skip
    """What stands below every set: its silent extensions, and a bound of all others.

    A set with several more faults is below the first of them in the order, unless that one is
    looked at by itself; see `_deeper` for the others.

    Args:
        parents: (parents,) the sets in question.
        members: (sets, width) faults, padded with the number that stands for none.
        weight: (sets,) of each.
        like: (findings, sets) likelihood of each.
        most: (findings,) the largest likelihood under any set.
        room: (sets,) from `room_of`.
        last: (sets,) from `room_of`.
        quiet: from `compare_pairs`.
        change: from `compare_pairs`.
        ceiling: from `compare_pairs`.
        order: (faults,) faults in the order they are taken in.
        part_of: (faults + 1,) number of its part, -1 for none.
        ratio: (parents, faults) prior of the set with the fault over that of the set.
        looked_at: (parents, faults) whether the set with the fault is looked at by itself.
        least: what weighs less is bounded roughly, and not noted.
        noted: (parents * faults,) result: parent and fault of each loud extension noted, as
            `parent * faults + fault`.
        bound: (parents * faults,) result: bound of the weight of each of them.
        extra: (faults,) zero; result: weight of all silent extensions by each fault by itself.
        silent: (parents,) result: weight of all sets with silent faults added, over its own.
        loud: (parents,) result: bound of the weight of all others below it, over its own.

    Returns:
        How many are noted.
    """
    none, count = order.shape[0], 0
    raised = np.empty(like.shape[0])
    for p in range(parents.shape[0]):
        s = parents[p]
        for i in range(like.shape[0]):
            raised[i] = most[i] / max(like[i, s], 1e-12)
        size = 0
        for k in range(members.shape[1]):
            size += members[s, k] != none
        size = max(size, 1)
        still, later, gains, louder, sum_silent, sum_loud = 1.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for place in range(none - 1, last[s], -1):
            f = order[place]
            hushed, taken = True, False
            for k in range(size):
                hushed = hushed and quiet[members[s, k], f]
                taken = taken or part_of[members[s, k]] == part_of[f]
            if taken:
                continue
            x = ratio[p, f]
            if looked_at[p, f]:
                gains += x
            elif hushed:
                extra[f] += weight[s] * x
                sum_silent += x * still
                sum_loud += x * still * _deeper(louder, later, room[s])
                still *= 1.0 + x
                gains += x
            else:
                gain = ceiling[members[s, 0], f]
                for k in range(1, size):
                    gain *= ceiling[members[s, k], f]
                gain = min(gain, room[s])
                if weight[s] * x * gain > least:
                    gain = 1.0
                    first = change[members[s, 0], f]
                    for i in range(like.shape[0]):
                        best = first[i]
                        for k in range(1, size):
                            best = max(best, change[members[s, k], f, i])
                        gain *= min(best, raised[i])
                    noted[count] = p * none + f
                    bound[count] = weight[s] * x * gain
                    count += 1
                left = max(room[s] / max(gain, 1.0), 1.0)
                sum_loud += x * gain * (1.0 + _deeper(gains, later, left))
                gains += x * gain
                louder += x * gain
            later += x
        silent[p] = sum_silent
        loud[p] = sum_loud
    return count


@njit(cache=True, nogil=True)
def _deeper(gains, later, left):
    """Bound of what one, two, three ... further faults could weigh together.

    By how far each of them raises the likelihood by itself, and by how far all of them can.

    Args:
        gains: sum of the odds of each with what it can raise.
        later: sum of their prior odds.
        left: by what the likelihood can be raised at most.
    """
    if gains <= later:
        return gains * (1.0 + gains * (0.5 + gains))
    found, own, whole = 0.0, 1.0, left
    for k in range(1, 7):
        own *= gains * INVERSE[k]
        whole *= later * INVERSE[k]
        term = min(own, whole)
        found += term
        if term < 0.01 * found:
            break
    return found
