"""Inner loops over the active hypotheses."""
# mypy: disable-error-code="no-untyped-def,no-untyped-call"

from __future__ import annotations

import math

import numpy as np
from numba import njit


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
