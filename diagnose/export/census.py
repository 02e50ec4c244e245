"""The tables of tests and complaints: what was solved, summed up by the states of their parents.

For each combination of a leaf's parents' states, the chances of its outcomes are averaged over the
fault sets of up to two faults that lead there. Combinations that none of them reaches take those
of the fault sets that stand for the states, solved together.
"""

from __future__ import annotations

import math
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from diagnose.export.classes import join
from diagnose.faults.manners import COMES_AND_GOES, SHARES, outcomes_by_manner
from diagnose.faults.outcomes import complaint_chances, wording

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from diagnose.export.leaves import Leaf
    from diagnose.export.nodes import Node
    from diagnose.export.pairs import PairTable
    from diagnose.faults.behaviour import FaultSet


class Census:
    """In which state every node is under every fault set of the table of pairs.

    Attributes:
        state: node name -> (sets,) state.
    """

    def __init__(self, pairs: PairTable, nodes: Mapping[str, Node]) -> None:
        """Works out all states; nodes come parents before children."""
        self.pairs = pairs
        self.state = states_of(pairs, nodes)
        self._rare: dict[FaultSet, int] = {}
        self._rare_readings = pairs.readings[0, :0]
        self._loose = pairs.behaviour.loose

    def look_up(self, tied: Iterable[tuple[Node, ...]]) -> None:
        """Solves, once each, the fault sets of combinations that no pair reaches."""
        unions = (union for parents in tied for union in self._unreached(parents)[1])
        self._rare = {union: row for row, union in enumerate(dict.fromkeys(unions))}
        self._rare_readings = self.pairs.behaviour.readings(list(self._rare))

    def tables(self, leaf: Leaf, parents: tuple[Node, ...]) -> NDArray[np.float64]:
        """(parents' states ..., manners, outcomes) of a leaf, as loose joints stand."""
        shape = tuple(len(node.sets) for node in parents)
        empty, unions = self._unreached(parents)
        rare = [self._rare[union] for union in unions]
        cell = np.concatenate([self._cells(parents), empty])
        values = np.concatenate(
            [
                self.pairs.readings[(*self.pairs.index, leaf.column)],
                self._rare_readings[rare, leaf.column],
            ]
        )
        own = self.pairs.prior if leaf.test is None else self.pairs.weight
        weight = np.concatenate([own, np.ones(len(empty))])
        pairs_loose = self._loose[np.stack(self.pairs.index)].any(axis=0)
        rare_loose = [bool(self._loose[list(union)].any()) for union in unions]
        loose = np.concatenate([pairs_loose, np.array(rare_loose, dtype=bool)])
        chances = _chances(self.pairs, leaf, values, loose)
        flat = chances.reshape(len(chances), -1)
        total = np.stack(
            [np.bincount(cell, weight * column, math.prod(shape)) for column in flat.T], axis=-1
        ).reshape(-1, *chances.shape[1:])
        mean: NDArray[np.float64] = total / total.sum(axis=-1, keepdims=True)
        return mean.reshape(*shape, *chances.shape[1:])

    def _cells(self, parents: tuple[Node, ...]) -> NDArray[np.int64]:
        """(sets,) combination of the parents' states that each fault set leads to."""
        cell = np.zeros(len(self.pairs.sets), dtype=np.int64)
        for node in parents:
            cell = cell * len(node.sets) + self.state[node.name]
        return cell

    def _unreached(self, parents: tuple[Node, ...]) -> tuple[NDArray[np.int64], list[FaultSet]]:
        """The combinations that no set reaches, and the fault sets that stand for them."""
        n_cells = math.prod(len(node.sets) for node in parents)
        empty = np.flatnonzero(np.bincount(self._cells(parents), minlength=n_cells) == 0)
        combos = list(product(*(node.sets for node in parents)))
        return empty, [join(*combos[cell]) for cell in empty]


def _chances(
    pairs: PairTable, leaf: Leaf, values: NDArray[np.float64], loose: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """(sets, manners, outcomes) chances under the readings of a leaf; `loose` sets have a joint."""
    if leaf.test is None:
        told = complaint_chances(values, wording(pairs.behaviour.machine, leaf.name))
        return np.repeat(told[:, None], len(SHARES), axis=1)
    each = outcomes_by_manner(leaf.test, values)[COMES_AND_GOES:].swapaxes(0, 1)
    found: NDArray[np.float64] = np.where(loose[:, None, None], each, each[:, :1])
    return found


def states_of(pairs: PairTable, nodes: Mapping[str, Node]) -> dict[str, NDArray[np.int64]]:
    """By node (sets,) its state under every fault set of the table of pairs."""
    state: dict[str, NDArray[np.int64]] = {}
    for node in nodes.values():
        if node.parents:
            state[node.name] = node.table[tuple(state[parent] for parent in node.parents)]
            continue
        own = np.zeros(pairs.none + 1, dtype=np.int64)
        for k, faults in enumerate(node.sets):
            own[list(faults)] = k
        state[node.name] = np.maximum(*own[np.stack(pairs.index)])
    return state
