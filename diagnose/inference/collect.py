"""Findings in, messages towards the roots: the first half of a propagation, in compiled code."""

from __future__ import annotations

import math

import numpy as np

from diagnose.inference.layout import (
    C_DOWN_TARGET,
    C_LOW,
    C_PARENT,
    C_ROW,
    C_ROWS,
    C_SEPARATOR,
    C_UP,
    C_UP_PTR,
    C_UP_TARGET,
    F_ABOUT,
    F_KIND,
    F_VALUE,
    L_GROUP,
    L_GROUPS,
    L_LIKELIHOOD,
    L_OUTCOMES,
    L_TABLE,
    OUTCOME_OF_LEAF,
    STATE_OF_NODE,
    T_CLIQUE,
    T_INTO,
    T_SIZE,
    WEIGHTS_OF_NODE,
    WEIGHTS_OF_PARENTS,
)
from diagnose.inference.steps import (
    Flags,
    Index,
    Ints,
    Reals,
    Records,
    compiled,
    log_of,
    log_total,
    multiply,
    project,
    project_logs,
    rescale,
    sum_run,
)

SAFE = 1e-280  # a positive row this large or larger has not lost a bit to underflow
IMPOSSIBLE = -1.0
POSSIBLE = 0.0
IN_LOGARITHMS = 1.0


@compiled
def factor_of(  # noqa: PLR0913, PLR0917 - the flat arrays
    finding: Ints,
    tables: Records,
    leaves: Records,
    index: Index,
    number: Reals,
    weights: Reals,
    work: Reals,
    factor: int,
) -> int:
    """Writes a finding's likelihood over its table to `work[factor:]`; returns the table."""
    kind, about, value = finding[F_KIND], finding[F_ABOUT], finding[F_VALUE]
    if kind == STATE_OF_NODE:
        for j in range(tables[about, T_SIZE]):
            work[factor + j] = 0.0
        work[factor + value] = 1.0
        return int(about)
    if kind == WEIGHTS_OF_NODE:
        for j in range(tables[about, T_SIZE]):
            work[factor + j] = weights[value + j]
        return int(about)
    leaf = leaves[about]
    table = leaf[L_TABLE]
    if kind == WEIGHTS_OF_PARENTS:
        for j in range(tables[table, T_SIZE]):
            work[factor + j] = weights[value + j]
        return int(table)
    groups, group, likelihood = leaf[L_GROUPS], leaf[L_GROUP], leaf[L_LIKELIHOOD]
    for j in range(tables[table, T_SIZE]):
        g = likelihood + index[group + j]
        if kind == OUTCOME_OF_LEAF:
            work[factor + j] = number[g + value * groups]
        else:
            f = 0.0
            for o in range(leaf[L_OUTCOMES]):
                f += weights[value + o] * number[g + o * groups]
            work[factor + j] = f
    return int(table)


@compiled
def absorb(
    work: Reals, low: Reals, clique: int, cliques: Records, factor: int, size: int
) -> tuple[float, float, bool]:
    """Scales a factor to a maximum of 1 and makes room for it in the clique.

    Returns the scale (0 when nothing is possible), the log of what the clique was scaled by, and
    whether a positive row could underflow all the same.
    """
    top, least = rescale(work, factor, size)
    if top == 0.0:
        return 0.0, 0.0, False
    scaled = 0.0
    if low[clique] * least < SAFE:
        rows_top, rows_low = rescale(work, cliques[clique, C_ROW], cliques[clique, C_ROWS])
        if rows_top == 0.0:
            return 0.0, 0.0, False
        scaled = math.log(rows_top)
        low[clique] = rows_low
    low[clique] *= least
    return top, scaled, low[clique] < SAFE


@compiled
def mark(
    cliques: Records, number: Reals, work: Reals, low: Reals, touched: Flags, clique: int
) -> None:
    """Copies the rows of a clique and of all above it, which findings are about to change."""
    while clique >= 0 and not touched[clique]:
        touched[clique] = True
        row = np.uint64(cliques[clique, C_ROW])
        for k in range(row, row + np.uint64(cliques[clique, C_ROWS])):
            work[k] = number[k]  # for slices numba compiles two seconds of error messages
        low[clique] = number[cliques[clique, C_LOW]]
        clique = cliques[clique, C_PARENT]


@compiled
def enter(  # noqa: PLR0913, PLR0917 - the flat arrays
    findings: Records,
    cliques: Records,
    tables: Records,
    leaves: Records,
    index: Index,
    number: Reals,
    weights: Reals,
    work: Reals,
    low: Reals,
    touched: Flags,
    factor: int,
) -> tuple[float, float]:
    """Multiplies every finding into a clique; returns the state of the case and log scale."""
    log_scale = 0.0
    for place in range(len(findings)):
        table = factor_of(findings[place], tables, leaves, index, number, weights, work, factor)
        clique, size = tables[table, T_CLIQUE], tables[table, T_SIZE]
        mark(cliques, number, work, low, touched, clique)
        top, scaled, lost = absorb(work, low, clique, cliques, factor, size)
        if top == 0.0:
            return IMPOSSIBLE, 0.0
        if lost:
            return IN_LOGARITHMS, 0.0
        log_scale += math.log(top) + scaled
        row, rows = cliques[clique, C_ROW], cliques[clique, C_ROWS]
        multiply(work, row, rows, index, tables[table, T_INTO], factor)
    return POSSIBLE, log_scale


@compiled
def collect(
    cliques: Records, index: Index, work: Reals, low: Reals, touched: Flags, scale: Reals
) -> tuple[float, float]:
    """Sends messages towards the roots; returns the state of the case and log scale.

    `scale[c]` becomes what the message of clique `c` was divided by.
    """
    log_scale = 0.0
    for c in range(len(cliques) - 1, -1, -1):
        if not touched[c]:
            continue
        clique = cliques[c]
        row, rows, parent = clique[C_ROW], clique[C_ROWS], clique[C_PARENT]
        if parent < 0:
            total = sum_run(work, row, row + rows)
            if total == 0.0:
                return IMPOSSIBLE, 0.0
            log_scale += math.log(total)
            inverse = 1.0 / total
            for k in range(row, row + rows):
                work[k] *= inverse
            continue
        up, size = clique[C_UP], clique[C_SEPARATOR]
        project(work, row, rows, index, clique[C_UP_TARGET], clique[C_UP_PTR], -1, up, size)
        top, scaled, lost = absorb(work, low, parent, cliques, up, size)
        if top == 0.0:
            return IMPOSSIBLE, 0.0
        if lost:
            return IN_LOGARITHMS, 0.0
        log_scale += math.log(top) + scaled
        scale[c] = top
        above, entries = cliques[parent, C_ROW], cliques[parent, C_ROWS]
        multiply(work, above, entries, index, clique[C_DOWN_TARGET], up)
    return POSSIBLE, log_scale


@compiled
def enter_logs(  # noqa: PLR0913, PLR0917 - the flat arrays
    findings: Records,
    cliques: Records,
    tables: Records,
    leaves: Records,
    index: Index,
    number: Reals,
    weights: Reals,
    work: Reals,
    low: Reals,
    touched: Flags,
    factor: int,
) -> None:
    """Turns touched rows into logarithms and adds every finding to them."""
    touched[:] = False
    for place in range(len(findings)):
        about = findings[place, F_ABOUT]
        if findings[place, F_KIND] >= OUTCOME_OF_LEAF:
            about = leaves[about, L_TABLE]
        mark(cliques, number, work, low, touched, tables[about, T_CLIQUE])
    for c in range(len(cliques)):
        if touched[c]:
            for k in range(cliques[c, C_ROW], cliques[c, C_ROW] + cliques[c, C_ROWS]):
                work[k] = log_of(work[k])
    for place in range(len(findings)):
        table = factor_of(findings[place], tables, leaves, index, number, weights, work, factor)
        clique, into = tables[table, T_CLIQUE], tables[table, T_INTO]
        for j in range(tables[table, T_SIZE]):
            work[factor + j] = log_of(work[factor + j])
        for k in range(cliques[clique, C_ROWS]):
            work[cliques[clique, C_ROW] + k] += work[factor + index[into + k]]


@compiled
def collect_logs(
    cliques: Records, index: Index, work: Reals, touched: Flags, scale: Reals
) -> float:
    """Sends messages towards the roots in logarithms; returns log P(e).

    Rows end as their share of their separator entry and messages as 1 (0 where impossible),
    which is all that distributing needs.
    """
    scale[:] = 1.0
    log_evidence = 0.0
    for c in range(len(cliques) - 1, -1, -1):
        if not touched[c]:
            continue
        clique = cliques[c]
        row, rows, parent = clique[C_ROW], clique[C_ROWS], clique[C_PARENT]
        if parent < 0:
            total = log_total(work, row, rows)
            if total == -math.inf:
                return total
            log_evidence += total
            for k in range(row, row + rows):
                work[k] = math.exp(work[k] - total)
            continue
        up, size, target = clique[C_UP], clique[C_SEPARATOR], clique[C_UP_TARGET]
        project_logs(work, row, rows, index, target, up, size)
        above, down = cliques[parent, C_ROW], clique[C_DOWN_TARGET]
        for k in range(cliques[parent, C_ROWS]):
            work[above + k] += work[up + index[down + k]]
        for k in range(rows):
            total = work[up + index[target + k]]
            work[row + k] = math.exp(work[row + k] - total) if total > -math.inf else 0.0
        for j in range(size):
            work[up + j] = 1.0 if work[up + j] > -math.inf else 0.0
    return log_evidence
