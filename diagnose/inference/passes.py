"""The pass itself: findings in, the probability of every row given them out.

Collect, from the leaves of the forest to its roots: a clique's message to its parent is the sum of
its rows per separator entry, and what is left of a row is its share of that sum. Distribute, from
the roots outwards: a row's probability is its share times that of its separator entry in the
parent (Lauritzen & Spiegelhalter 1988 in the form of Jensen, Lauritzen & Olesen 1990, restricted
to rows that can be non-zero).

Messages are logarithms, so no number of findings underflows. Rows are prepared once so that
without findings every message is log 1; cliques with no finding in them or beyond them are
therefore not collected at all. Many cases go side by side as rows of one array.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from diagnose.inference.layout import Clique, Ints, Layout, Reals, View


def summed(values: Reals, entry: Ints, size: int) -> Reals:
    """(cases, size) sums of (cases, rows) values over the rows that fall on each entry."""
    cases = len(values)
    if cases > 1:
        entry = (np.arange(cases)[:, None] * size + entry).ravel()
    total = np.bincount(entry, values.ravel(), cases * size)
    return total.reshape(cases, size).astype(np.float64, copy=False)


def _log_of(values: Reals) -> Reals:
    """Natural logarithm, -inf for 0."""
    logs = np.full(values.shape, -np.inf)
    np.log(values, out=logs, where=values > 0.0)
    return logs


def _collected(clique: Clique, logs: Reals) -> tuple[Reals, Reals]:
    """Log of the sum of the rows of each separator entry, and each row less that."""
    top = np.maximum.reduceat(logs, clique.starts, axis=1)
    top[top == -np.inf] = 0.0
    rows = logs - top[:, clique.up]
    total = _log_of(np.add.reduceat(np.exp(rows), clique.starts, axis=1))
    rows -= np.where(total > -np.inf, total, 0.0)[:, clique.up]
    return top + total, rows


def prepared(layout: Layout) -> Layout:
    """The same layout with every row's log P(row | separator): all messages sent once."""
    logs = [clique.log_rows for clique in layout.cliques]
    for place in reversed(range(len(logs))):
        clique = layout.cliques[place]
        message, rows = _collected(clique, logs[place][None])
        logs[place] = rows[0]
        if clique.parent >= 0:
            logs[clique.parent] = logs[clique.parent] + message[0, clique.down]
    cliques = (
        replace(clique, log_rows=own) for clique, own in zip(layout.cliques, logs, strict=True)
    )
    return replace(layout, cliques=tuple(cliques))


def propagate(
    layout: Layout, factors: Iterable[tuple[View, Reals]], cases: int
) -> tuple[Reals, tuple[Reals, ...]]:
    """One pass for each case.

    Args:
        layout: a prepared layout.
        factors: likelihoods (cases, entries) over the entries of views.
        cases: how many cases there are.

    Returns:
        (cases,) natural log of the probability of the findings, -inf where they clash, and by
        clique (cases or 1, rows) P(row | findings), 0 where they clash.
    """
    touched: dict[int, Reals] = {}

    def add(place: int, logs: Reals) -> None:
        touched[place] = touched.get(place, layout.cliques[place].log_rows) + logs

    for view, likelihood in factors:
        add(view.clique, _log_of(likelihood)[:, view.entry])
    log_evidence = np.zeros(cases)
    for place in reversed(range(len(layout.cliques))):
        if place not in touched:
            continue
        clique = layout.cliques[place]
        message, touched[place] = _collected(clique, touched[place])
        if clique.parent >= 0:
            add(clique.parent, message[:, clique.down])
        else:
            log_evidence += message[:, 0]
    return log_evidence, _distributed(layout, touched, log_evidence > -np.inf)


def _distributed(
    layout: Layout, touched: Mapping[int, Reals], possible: np.ndarray
) -> tuple[Reals, ...]:
    """By clique (cases or 1, rows) P(row | findings)."""
    rows: list[Reals] = []
    for place, clique in enumerate(layout.cliques):
        own = np.exp(touched.get(place, clique.log_rows[None]))
        if clique.parent >= 0:
            above = summed(rows[clique.parent], clique.down, len(clique.starts))
            own = own * above[:, clique.up]
        elif not possible.all():
            own = own * possible[:, None]
        rows.append(own)
    return tuple(rows)
