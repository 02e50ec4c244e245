"""Mutual information between tests and named nodes, in bits.

`I(A; T | e) = H(T | e) - sum_a P(a | e) H(T | a, e)` where `a` runs over the combinations of the
named nodes that are possible. Where one clique holds all of them, or they shield a leaf, one pass
is enough; otherwise each combination is a case of its own, and it serves all tests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkTooLargeError
from diagnose.inference.told import Told, shares, tell

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from diagnose.inference.layout import Ints, Reals

MOST_COMBINATIONS = 200_000
MOST_NUMBERS = 4_000_000
"""Rows times cases that go side by side: 32 MB for each copy of them."""


def entropies(rows: Reals) -> Reals:
    """H in bits of each distribution in the last axis."""
    safe = np.where(rows > 0.0, rows, 1.0)
    bits: Reals = np.abs(np.sum(safe * np.log2(safe), axis=-1))
    return bits


def gains_about(told: Told, tests: Sequence[int], about: frozenset[int] | None) -> dict[int, float]:
    """Gain of each test in bits; see `CompiledNetwork.gains`.

    Args:
        told: the pass of one case after the findings.
        tests: the tests.
        about: the named nodes, None for each test's own parents.

    Raises:
        NetworkTooLargeError: for more than `MOST_COMBINATIONS` of the named nodes.
    """
    left: dict[int, float] = {}
    waiting: dict[frozenset[int], list[int]] = {}
    for test in tests:
        asked = frozenset(told.network.parents[test]) if about is None else about
        at_once = _left_at_once(told, test, asked)
        if at_once is None:
            waiting.setdefault(asked, []).append(test)
        else:
            left[test] = at_once
    for asked, members in waiting.items():
        left.update(_left_by_combination(told, members, sorted(asked)))
    whole = {test: float(entropies(told.marginal(test)[0])) for test in tests}
    return {test: min(max(whole[test] - left[test], 0.0), whole[test]) for test in tests}


def _left_at_once(told: Told, test: int, about: frozenset[int]) -> float | None:
    """Mean entropy of a test once the named nodes are known, where one pass tells it."""
    if test in about:
        return 0.0
    if test in told.network.leaves:
        if not about.issuperset(told.network.parents[test]):
            return None
        return float(told.seen(test)[0] @ entropies(told.leaf_rows(test)))
    joint = told.joint(sorted(about), test)
    return None if joint is None else float(joint.sum(axis=1) @ entropies(shares(joint)))


def _left_by_combination(
    told: Told, tests: Sequence[int], about: Sequence[int]
) -> dict[int, float]:
    """The same where every possible combination is a case of its own, found node by node."""
    states = np.zeros((1, 0), np.int64)
    chances = np.ones(1)
    for place, node in enumerate(about):
        blocks = [given.marginal(node) for given in _given(told, about[:place], states)]
        own = np.concatenate(blocks)
        before, state = np.nonzero(own > 0.0)
        if len(before) > MOST_COMBINATIONS:
            names = [told.network.families[member].node for member in about]
            raise NetworkTooLargeError(len(before), MOST_COMBINATIONS, names)
        chances = chances[before] * own[before, state]
        states = np.column_stack([states[before], state])
    left = np.zeros(len(tests))
    done = 0
    for given in _given(told, about, states):
        chance = chances[done : done + len(given.log_evidence)]
        done += len(chance)
        for place, test in enumerate(tests):
            left[place] += chance @ entropies(given.marginal(test))
    return dict(zip(tests, left.tolist(), strict=True))


def _given(told: Told, about: Sequence[int], states: Ints) -> Iterator[Told]:
    """What is believed given each combination of states, some combinations at a time."""
    step = max(1, MOST_NUMBERS // told.layout.rows)
    for start in range(0, len(states), step):
        part = states[start : start + step]
        cases = {node: np.repeat(own, len(part), axis=0) for node, own in told.weights.items()}
        for column, node in enumerate(about):
            chosen = np.eye(told.network.cards[node])[part[:, column]]
            cases[node] = cases.get(node, 1.0) * chosen
        yield tell(told.network, told.layout, cases, len(part))
