"""What one fault more could explain, for many fault sets side by side.

For a set S and a fault f beyond it, each finding is looked up in the pairs {a, f}, a in S, which
are solved. If f changes nothing there, it is *silent*: S with f weighs what S weighs times the odds
of f, and need not be solved. Otherwise f is *loud*, and S with f weighs at most

    w(S) odds(f) prod_i min( max_a L_i({a, f}) / L_i({a}),  max L_i / L_i(S) ).

So every larger set is a set that was looked at with silent faults added, or is bounded. Faults are
taken in one order, the likeliest first, and a set that was not looked at is met below its longest
beginning that was (set enumeration; Rymon 1992): each once. Only where a silent fault comes before
a loud one whose set was looked at, it is met below that set instead, where it is silent there too.
"""
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator"

from __future__ import annotations

import numpy as np

from diagnose.compiled import njit

SAME = 1e-3
"""Likelihoods that differ by no more than this part are the same."""


@njit(nogil=True)
def compare_pairs(  # noqa: PLR0913, PLR0917 - flat arrays for the compiler
    pair_row, n_base, like, order, quiet, change, ceiling, ahead
):
    """What each fault changes of everything found, beside each other one and after it.

    Faults are rows by their number, the last row stands for no fault; columns by their place in
    the order.

    Args:
        pair_row: (faults + 1, faults + 1) row of every set of up to two faults, -1 unsolved.
        n_base: rows from this on are not looked at here.
        like: (findings, sets) likelihood of each; the first sets are the base.
        order: (faults,) faults in the order they are taken in.
        quiet: (faults + 1, faults) result: whether all findings are as likely under the pair as
            under the first fault alone.
        change: (faults + 1, faults, findings) result: likelihood under the pair over that under
            the first fault alone.
        ceiling: (faults + 1, faults) result: product of all changes for the better.
        ahead: (faults + 1, faults + 1, findings) result: the largest likelihood under the pair,
            over all faults from that place on; 0 beyond the last.
    """
    none = order.shape[0]
    base = pair_row[none, none]
    for a in range(none + 1):
        alone = pair_row[a, a]
        for i in range(like.shape[0]):
            ahead[a, none, i] = 0.0
        for place in range(none - 1, -1, -1):
            f = order[place]
            row, before = pair_row[a, f], alone
            solved = 0 <= row < n_base
            if not solved:
                row, before = pair_row[f, f], base
            hushed, most = True, 1.0
            for i in range(like.shape[0]):
                with_f, without = like[i, row], like[i, before]
                if abs(with_f - without) > SAME * without:
                    hushed = False
                raised = with_f / max(without, 1e-12)
                change[a, place, i] = raised
                if raised > 1.0:
                    most *= raised
                if not solved:
                    with_f = max(with_f, like[i, alone])
                ahead[a, place, i] = max(ahead[a, place + 1, i], with_f)
            quiet[a, place] = hushed
            ceiling[a, place] = most


@njit(nogil=True)
def room_of(members, like, ahead, rank, last, room):
    """By what later faults can raise the likelihood of each set, at most.

    Args:
        members: (sets, width) faults, padded with the number that stands for none.
        like: (findings, sets) likelihood of each.
        ahead: from `compare_pairs`.
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
        raised, after = 1.0, last[s] + 1
        for i in range(like.shape[0]):
            best = like[i, s]
            for k in range(max(size, 1)):
                best = max(best, ahead[members[s, k], after, i])
            raised *= best / max(like[i, s], 1e-12)
        room[s] = raised


@njit(nogil=True)
def extend(  # noqa: C901, PLR0912, PLR0913, PLR0915, PLR0917 - flat, for the compiler
    parents, members, weight, like, most, room, last, quiet, change, ceiling, order, part_of,
    ratio, ratio_at, pair_row, n_base, grown_start, grown_fault, grown_at, least, heavy, noted,
    bound, extra, silent, loud,
):  # fmt: skip
    """What stands below every set: its silent extensions, and a bound of all others.

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
        ratio: (rows, faults) prior of a set with the fault over that of the set.
        ratio_at: (parents,) row of each parent there.
        pair_row: (faults + 1, faults + 1) row of every set of up to two faults, -1 unsolved.
        n_base: rows below this are sets looked at, by the same number.
        grown_start: (sets + 1,) where each set's extensions beyond the base begin.
        grown_fault: (extensions,) the further fault of each.
        grown_at: (extensions,) its number among the sets.
        least: what weighs less is bounded roughly, and not noted.
        heavy: what weighs more is told apart, see the module's words.
        noted: (parents * faults,) result: parent and fault of each loud extension noted, as
            `parent * faults + fault`.
        bound: (parents * faults,) result: bound of the weight of each of them.
        extra: (faults,) zero; result: weight of all silent extensions by each fault by itself.
        silent: (sets,) zero; result: weight of all sets with silent faults added, over its own.
        loud: (parents,) result: bound of the weight of all others below it, over its own.

    Returns:
        How many are noted.
    """
    none, count = order.shape[0], 0
    raised = np.empty(like.shape[0])
    grown = np.full(none, -1)
    kept_place, kept_at = np.empty(none, dtype=np.int64), np.empty(none, dtype=np.int64)
    for p in range(parents.shape[0]):
        s = parents[p]
        w, limit, own = weight[s], room[s], ratio_at[p]
        for i in range(like.shape[0]):
            raised[i] = most[i] / max(like[i, s], 1e-12)
        for g in range(grown_start[s], grown_start[s + 1]):
            grown[grown_fault[g]] = grown_at[g]
        size = 0
        for k in range(members.shape[1]):
            size += members[s, k] != none
        first = members[s, 0]
        kept = 0
        still, later, gains, apart, louder = 1.0, 0.0, 0.0, 0.0, 0.0
        sum_silent, sum_loud = 0.0, 0.0
        for place in range(none - 1, last[s], -1):
            f = order[place]
            hushed = quiet[first, place]
            gain = ceiling[first, place]
            taken = part_of[first] == part_of[f]
            for k in range(1, size):
                a = members[s, k]
                hushed = hushed and quiet[a, place]
                gain *= ceiling[a, place]
                taken = taken or part_of[a] == part_of[f]
            if taken:
                continue
            x = ratio[own, f]
            at = grown[f]
            if size <= 1 and 0 <= pair_row[first, f] < n_base:
                at = pair_row[first, f]
            if at >= 0:
                by = max(weight[at] / w, x)
                if hushed:
                    still *= 1.0 + x
                    gains += x
                elif weight[at] > heavy:
                    kept_place[kept], kept_at[kept] = place, at
                    kept += 1
                    apart += by
                else:
                    louder += by
                    gains += by
                later += x
                continue
            for g in range(kept):
                up, one_more = kept_at[g], 1.0
                for e in range(grown_start[up], grown_start[up + 1]):
                    if grown_fault[e] == f:
                        one_more = 0.0  # it was looked at itself
                if hushed and quiet[order[kept_place[g]], place]:
                    extra[f] += weight[up] * x * one_more
                    silent[up] += x * one_more
                    beside, one_more = 1.0, 0.0
                else:
                    beside = 1.0
                    for i in range(like.shape[0]):
                        best = change[order[kept_place[g]], place, i]
                        for k in range(size):
                            best = max(best, change[members[s, k], place, i])
                        beside *= min(best, most[i] / max(like[i, up], 1e-12))
                deeper = _deeper(gains + apart, later, max(room[up] / max(beside, 1.0), 1.0))
                sum_loud += x * weight[up] / w * beside * (one_more + deeper)
            if hushed:
                extra[f] += w * x
                sum_silent += x * still
                sum_loud += x * still * _deeper(louder, later, limit)
                still *= 1.0 + x
                gains += x
            else:
                gain = min(gain, limit)
                if w * x * gain > least:
                    gain = 1.0
                    for i in range(like.shape[0]):
                        best = change[first, place, i]
                        for k in range(1, size):
                            best = max(best, change[members[s, k], place, i])
                        gain *= min(best, raised[i])
                    noted[count] = s * none + f
                    bound[count] = w * x * gain
                    count += 1
                left = max(limit / max(gain, 1.0), 1.0)
                sum_loud += x * gain * (1.0 + _deeper(gains, later, left))
                gains += x * gain
                louder += x * gain
            later += x
        silent[s] += sum_silent
        loud[p] = sum_loud
        for g in range(grown_start[s], grown_start[s + 1]):
            grown[grown_fault[g]] = -1
    return count


@njit(nogil=True)
def _deeper(gains, later, left):
    """Bound of what one, two, three ... further faults could weigh together.

    By how far each of them raises the likelihood by itself, and by how far all of them can.

    Args:
        gains: sum of the odds of each with what it can raise.
        later: sum of their prior odds.
        left: by what the likelihood can be raised at most.
    """
    if gains < 0.2:
        return gains * (1.0 + gains * (0.5 + gains * 0.2))
    found, own, whole = 0.0, 1.0, left
    for k in range(1, 30):
        own *= gains / k
        whole *= later / k
        term = min(own, whole)
        found += term
        if term < 0.01 * found:
            break
    return found
