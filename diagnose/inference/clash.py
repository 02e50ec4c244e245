"""Which findings cannot be true together: a smallest set of them."""

from __future__ import annotations

import math
from itertools import combinations, islice
from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference.findings import combined
from diagnose.inference.told import tell

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from diagnose.inference.families import Network
    from diagnose.inference.findings import Finding
    from diagnose.inference.layout import Layout

EXHAUSTIVE_UP_TO = 3
MOST_SETS = 20_000
"""Sets of each size that are tried at most; beyond, the set named is minimal, not smallest."""

MOST_NUMBERS = 2_000_000
"""Rows times sets that are tried side by side."""


def smallest_clash(
    network: Network, layout: Layout, findings: Sequence[Finding]
) -> list[tuple[str, str]]:
    """A set of findings with probability zero, from which none can be taken away.

    Deletion filtering finds a minimal set (Chinneck & Dravnieks 1991); sets of one, two and
    three findings are then tried all, so that a smallest one is named where that is cheap.

    Returns:
        `(node, state)` per finding; likelihoods show as `(likelihood)`.
    """
    every = range(len(findings))
    minimal = tuple(every)
    for finding in every:
        fewer = tuple(other for other in minimal if other != finding)
        if _first_clash(network, layout, findings, [fewer]):
            minimal = fewer
    for size in range(1, min(EXHAUSTIVE_UP_TO + 1, len(minimal))):
        if math.comb(len(findings), size) <= MOST_SETS:
            smaller = _first_clash(network, layout, findings, combinations(every, size))
            if smaller:
                minimal = smaller
                break
    return [(network.families[findings[i].node].node, findings[i].said) for i in minimal]


def _first_clash(
    network: Network,
    layout: Layout,
    findings: Sequence[Finding],
    sets: Iterable[tuple[int, ...]],
) -> tuple[int, ...]:
    """The first of some sets of findings that has probability zero; empty when none has."""
    waiting = iter(sets)
    while chunk := list(islice(waiting, max(1, MOST_NUMBERS // layout.rows))):
        kept = np.zeros((len(chunk), len(findings)), np.bool_)
        for row, members in enumerate(chunk):
            kept[row, list(members)] = True
        told = tell(network, layout, combined(network, findings, kept), len(chunk))
        clashes = np.flatnonzero(told.log_evidence == -np.inf)
        if len(clashes):
            return chunk[int(clashes[0])]
    return ()
