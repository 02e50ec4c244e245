"""What one pass tells: the marginals and joints of nodes, for a number of cases."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference.passes import propagate, summed
from diagnose.inference.support import codes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from diagnose.inference.families import Network
    from diagnose.inference.layout import Layout, Reals


@dataclass(frozen=True, eq=False)
class Told:
    """The answers after some findings, made by `tell`.

    Attributes:
        network: the network.
        layout: where its rows lie.
        weights: by node (cases, states) the product of what was found of it.
        log_evidence: (cases,) natural log of P(findings), -inf where they clash.
        rows: by clique (cases or 1, rows) P(row | findings); 0 where they clash.
    """

    network: Network
    layout: Layout
    weights: Mapping[int, Reals]
    log_evidence: Reals
    rows: tuple[Reals, ...]

    @cached_property
    def _seen(self) -> dict[int, Reals]:
        return {}

    def seen(self, node: int) -> Reals:
        """(cases, entries) P(state), for a leaf P(combination of its parents' states)."""
        place = self.layout.view_of[node]
        if place not in self._seen:
            view = self.layout.views[place]
            seen = summed(self.rows[view.clique], view.entry, view.size)
            if len(seen) < len(self.log_evidence):  # no finding of any case reaches there
                seen = np.repeat(seen, len(self.log_evidence), axis=0)
            self._seen[place] = seen
        return self._seen[place]

    def marginal(self, node: int) -> Reals:
        """(cases, states) P(node | findings).

        For a leaf found to be something itself, with weights `w` on its states:
        `P(o | w) = sum_pa P(pa | w) w[o] P(o | pa) / P(w | pa)`.
        """
        above = self.seen(node)
        if node not in self.network.leaves:
            return above
        table = self.network.leaf_table(node)
        weights = self.weights.get(node)
        if weights is None:
            return above @ table
        total = weights @ table.T  # P(above) is 0 where it is 0
        return weights * ((above / np.where(total > 0.0, total, 1.0)) @ table)

    def leaf_rows(self, leaf: int) -> Reals:
        """(parents' combinations, states) P(leaf | parents, what was found of it); one case."""
        table = self.network.leaf_table(leaf)
        if leaf not in self.weights:
            return table
        return shares(table * self.weights[leaf])

    def joint(self, about: Sequence[int], node: int) -> Reals | None:
        """(combinations, states) P(about, node | findings) in one case.

        Only combinations that are possible without findings have a row. None where no clique
        holds all these nodes.
        """
        clique = self.layout.smallest_clique((*about, node))
        if clique is None:
            return None
        held, cards = self.layout.cliques[clique].relation, self.network.cards
        code = codes(held.columns(about), [cards[member] for member in about])
        distinct, group = np.unique(code, return_inverse=True)
        entry = group * cards[node] + held.columns([node])[:, 0]
        joint = summed(self.rows[clique], entry, len(distinct) * cards[node])
        return joint.reshape(len(distinct), cards[node])


def shares(rows: Reals) -> Reals:
    """Each row divided by its sum; rows of zeros stay."""
    total = rows.sum(axis=-1, keepdims=True)
    return rows / np.where(total > 0.0, total, 1.0)


def tell(network: Network, layout: Layout, weights: Mapping[int, Reals], cases: int) -> Told:
    """One pass for each case, with likelihoods (cases, states) over states of nodes.

    Those over a leaf's states become likelihoods over its parents' combinations.
    """
    factors = [
        (
            layout.views[layout.view_of[node]],
            own @ network.leaf_table(node).T if node in network.leaves else own,
        )
        for node, own in weights.items()
    ]
    return Told(network, layout, weights, *propagate(layout, factors, cases))
