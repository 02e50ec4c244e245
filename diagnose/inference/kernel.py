"""The pass itself: findings in, every posterior and every gain out, in compiled code.

Collect: a clique's message to its parent is the sum of its rows per separator entry. Rows are
stored as `P(row | separator)`, so without findings below a clique its message is 1 everywhere and
both it and its rows are skipped. Distribute: rows are multiplied by
`P(separator | findings) / message`. Lauritzen & Spiegelhalter 1988 in the form of Jensen,
Lauritzen & Olesen 1990, restricted to rows that can be non-zero.

Rows stay in double precision: each message is scaled to a maximum of 1, the logarithms of the
scales add up to log P(e). A lower bound on the positive rows of each clique is carried along; when
it says that a positive row might underflow, the case is collected once more in logarithms.

No division per row, no allocation per clique, no state between calls: the caller hands in the
workspace. Fast-math stays off.
"""

from __future__ import annotations

import hashlib
import math
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np
from numba import float64, int64, njit, types, uint32

from diagnose.inference.collect import (
    IMPOSSIBLE,
    IN_LOGARITHMS,
    POSSIBLE,
    collect,
    collect_logs,
    enter,
    enter_logs,
)
from diagnose.inference.layout import F_KIND, OUTCOME_OF_LEAF
from diagnose.inference.readout import distribute, read_found_leaf, read_leaves, read_tables

if TYPE_CHECKING:
    from collections.abc import Callable

    from diagnose.inference.steps import Index, Ints, Reals, Records

_FROZEN_INTS = types.Array(int64, 2, "C", readonly=True)
_FROZEN_INDEX = types.Array(uint32, 1, "C", readonly=True)
_FROZEN_REALS = types.Array(float64, 1, "C", readonly=True)

SIGNATURE = types.void(
    _FROZEN_INTS, _FROZEN_INTS, _FROZEN_INTS, _FROZEN_INDEX, _FROZEN_REALS,
    int64[::1], int64[:, ::1], float64[::1], float64[::1],
    float64[:, ::1], float64[:, ::1], float64[::1],
    int64, int64, int64,
)  # fmt: skip
"""The one specialisation there is, so nothing is ever compiled in passing."""

SOURCES = ("layout", "steps", "collect", "readout", "kernel")


def fingerprint(sources: tuple[str, ...]) -> str:
    """Hash of the sources that the machine code is made from.

    numba's cache on disk looks at the file of the outermost function only. It also tells
    closures apart by what they hold, so holding this hash makes it notice every change.
    """
    digest = hashlib.sha256()
    for name in sources:
        digest.update(Path(__file__).with_name(f"{name}.py").read_bytes())
    return digest.hexdigest()


@cache
def propagate_kernel() -> Callable[..., None]:
    """The compiled pass, loaded from numba's cache on disk or compiled now.

    Its arguments, in order:

    - cliques, tables, leaves: records as in `layout`, int64 of shape (count, fields)
    - index, number: constant blocks, uint32 and float64
    - case_ptr: int64 of shape (cases + 1,); case `i` has the findings
      `findings[case_ptr[i]:case_ptr[i + 1]]`
    - findings: records as in `layout`
    - weights: blocks of likelihoods that findings point into
    - work: workspace; afterwards it holds the blocks of the last case
    - marginals: result, shape (cases, all states): P(state | findings); 0 in impossible cases
    - gains: result, shape (cases, leaves), bits; 0 in impossible cases
    - log_evidence: result, shape (cases,), natural log; -inf in impossible cases
    - factor: where in `work` the scratch block for likelihoods begins
    - first, last: the cases to do, `first <= case < last`
    """
    made_from = fingerprint(SOURCES)

    @njit([SIGNATURE], cache=True, nogil=True)
    def propagate(  # noqa: PLR0913, PLR0917 - flat arrays are what compiled code takes
        cliques: Records, tables: Records, leaves: Records, index: Index, number: Reals,
        case_ptr: Ints, findings: Records, weights: Reals, work: Reals,
        marginals: Reals, gains: Reals, log_evidence: Reals,
        factor: int, first: int, last: int,
    ) -> None:  # fmt: skip
        _ = made_from
        touched = np.empty(len(cliques), np.bool_)
        low = np.empty(len(cliques), np.float64)
        scale = np.empty(len(cliques), np.float64)
        for case in range(first, last):
            found = findings[case_ptr[case] : case_ptr[case + 1]]
            touched[:] = False
            state, total = enter(
                found, cliques, tables, leaves, index, number, weights, work, low, touched, factor
            )
            if state == POSSIBLE:
                state, collected = collect(cliques, index, work, low, touched, scale)
                total += collected
            if state == IN_LOGARITHMS:
                enter_logs(
                    found, cliques, tables, leaves, index, number, weights, work, low, touched,
                    factor,
                )  # fmt: skip
                total = collect_logs(cliques, index, work, touched, scale)
                state = POSSIBLE if total > -math.inf else IMPOSSIBLE
            if state == IMPOSSIBLE:
                log_evidence[case] = -math.inf
                marginals[case] = 0.0
                gains[case] = 0.0
                continue
            log_evidence[case] = total
            distribute(cliques, index, number, work, touched, scale)
            read_tables(tables, index, number, work, touched, marginals[case])
            read_leaves(
                leaves, tables, index, number, work, touched, marginals[case], gains[case], factor
            )
            for place in range(len(found)):
                if found[place, F_KIND] >= OUTCOME_OF_LEAF:
                    read_found_leaf(
                        found[place], leaves, tables, index, number, weights, work,
                        marginals[case], gains[case], factor,
                    )  # fmt: skip

    return cast("Callable[..., None]", propagate)
