"""From the roots outwards, then every marginal and gain: the second half, in compiled code."""

from __future__ import annotations

import math

import numpy as np

from diagnose.inference.layout import (
    C_BELIEF,
    C_DOWN_PERM,
    C_DOWN_PTR,
    C_DOWN_TARGET,
    C_PARENT,
    C_ROOT,
    C_ROW,
    C_ROWS,
    C_SEPARATOR,
    C_UP,
    C_UP_TARGET,
    F_ABOUT,
    F_KIND,
    F_VALUE,
    L_ENTROPY,
    L_GROUP,
    L_GROUPS,
    L_LIKELIHOOD,
    L_OUTCOMES,
    L_PRIOR,
    L_ROOT,
    L_STATES,
    L_TABLE,
    OUTCOME_OF_LEAF,
    T_ENTRIES,
    T_OUT,
    T_PERM,
    T_PRIOR,
    T_PTR,
    T_ROOT,
    T_SIZE,
    T_SOURCE,
    T_STATES,
    T_TARGET,
    WEIGHTS_OF_PARENTS,
)
from diagnose.inference.steps import (
    Flags,
    Index,
    Ints,
    Reals,
    Records,
    compiled,
    entropy,
    multiply,
    project,
)


@compiled
def distribute(
    cliques: Records, index: Index, number: Reals, work: Reals, touched: Flags, scale: Reals
) -> None:
    """Turns the rows of every clique of a touched tree into P(row | findings)."""
    for c in range(len(cliques)):
        clique = cliques[c]
        parent = clique[C_PARENT]
        if parent < 0 or not touched[clique[C_ROOT]]:
            continue
        up, belief, size = clique[C_UP], clique[C_BELIEF], clique[C_SEPARATOR]
        project(
            work, cliques[parent, C_ROW], cliques[parent, C_ROWS], index,
            clique[C_DOWN_TARGET], clique[C_DOWN_PTR], clique[C_DOWN_PERM], belief, size,
        )  # fmt: skip
        row, rows, target = clique[C_ROW], clique[C_ROWS], clique[C_UP_TARGET]
        if not touched[c]:
            start, first, by = np.uint64(row), np.uint64(target), np.uint64(belief)
            for k in range(np.uint64(rows)):
                work[start + k] = number[start + k] * work[by + index[first + k]]
            continue
        for j in range(size):
            reached = work[up + j] * scale[c]
            work[up + j] = work[belief + j] / reached if reached > 0.0 else 0.0
        multiply(work, row, rows, index, target, up)


@compiled
def read_tables(
    tables: Records, index: Index, number: Reals, work: Reals, touched: Flags, marginals: Reals
) -> None:
    """Sums every joint and marginal out of the smallest block that holds it."""
    for t in range(len(tables)):
        table = tables[t]
        out, size, states = table[T_OUT], table[T_SIZE], table[T_STATES]
        if touched[table[T_ROOT]]:
            project(
                work, table[T_SOURCE], table[T_ENTRIES], index,
                table[T_TARGET], table[T_PTR], table[T_PERM], out, size,
            )  # fmt: skip
        else:
            for j in range(size):
                work[out + j] = number[table[T_PRIOR] + j]
        if states >= 0:
            for j in range(size):
                marginals[states + j] = work[out + j]


@compiled
def group_weights(leaf: Ints, tables: Records, index: Index, work: Reals, factor: int) -> None:
    """P(group | findings) of a leaf's groups of parents' combinations, to `work[factor:]`."""
    source, entries = tables[leaf[L_TABLE], T_OUT], tables[leaf[L_TABLE], T_SIZE]
    project(work, source, entries, index, leaf[L_GROUP], -1, -1, factor, leaf[L_GROUPS])


@compiled
def read_leaves(  # noqa: PLR0913, PLR0917 - the flat arrays
    leaves: Records,
    tables: Records,
    index: Index,
    number: Reals,
    work: Reals,
    touched: Flags,
    marginals: Reals,
    gains: Reals,
    factor: int,
) -> None:
    """P(outcome | findings) and I(parents; leaf | findings) in bits of every leaf.

    `I = H(leaf | findings) - sum_pa P(pa | findings) H(leaf | pa)`.
    """
    for t in range(len(leaves)):
        leaf = leaves[t]
        states, outcomes, groups = leaf[L_STATES], leaf[L_OUTCOMES], leaf[L_GROUPS]
        if not touched[leaf[L_ROOT]]:
            prior = leaf[L_PRIOR]
            for o in range(outcomes):
                marginals[states + o] = number[prior + o]
            gains[t] = number[prior + outcomes]
            continue
        group_weights(leaf, tables, index, work, factor)
        for o in range(outcomes):
            likelihood = leaf[L_LIKELIHOOD] + o * groups
            total = 0.0
            for g in range(groups):
                total += work[factor + g] * number[likelihood + g]
            marginals[states + o] = total
        left = 0.0
        for g in range(groups):
            left += work[factor + g] * number[leaf[L_ENTROPY] + g]
        bits = entropy(marginals, states, states + outcomes)
        gains[t] = min(max(bits - left, 0.0), bits)


@compiled
def read_found_leaf(  # noqa: PLR0913, PLR0917 - the flat arrays
    finding: Ints,
    leaves: Records,
    tables: Records,
    index: Index,
    number: Reals,
    weights: Reals,
    work: Reals,
    marginals: Reals,
    gains: Reals,
    factor: int,
) -> None:
    """Marginal and gain of a leaf that a finding is about.

    Given weights `w` on its outcomes, `P(o | group, w) = w[o] P(o | group) / P(w | group)`.
    """
    about, value = finding[F_ABOUT], finding[F_VALUE]
    leaf = leaves[about]
    states, outcomes, groups = leaf[L_STATES], leaf[L_OUTCOMES], leaf[L_GROUPS]
    gains[about] = 0.0
    if finding[F_KIND] == WEIGHTS_OF_PARENTS:
        return
    for o in range(outcomes):
        marginals[states + o] = 0.0
    if finding[F_KIND] == OUTCOME_OF_LEAF:
        marginals[states + value] = 1.0
        return
    group_weights(leaf, tables, index, work, factor)
    left = 0.0
    for g in range(groups):
        likelihood = leaf[L_LIKELIHOOD] + g
        total = 0.0
        for o in range(outcomes):
            total += weights[value + o] * number[likelihood + o * groups]
        if total <= 0.0:
            continue
        for o in range(outcomes):
            p = weights[value + o] * number[likelihood + o * groups] / total
            marginals[states + o] += work[factor + g] * p
            if p > 0.0:
                left -= work[factor + g] * p * math.log2(p)
    bits = entropy(marginals, states, states + outcomes)
    gains[about] = min(max(bits - left, 0.0), bits)
