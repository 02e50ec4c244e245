"""Mutual information between tests and named nodes, in bits.

`I(A; T | e) = H(T | e) - sum_a P(a | e) H(T | a, e)` where `a` runs over the combinations of the
named nodes that are possible. Each combination is one propagation, and it serves all tests.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkTooLargeError
from diagnose.inference.plan import entropies

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from diagnose.inference.compiled import CompiledNetwork
    from diagnose.inference.findings import Findings

MOST_COMBINATIONS = 200_000
CHUNK = 4096


def gains_about(
    network: CompiledNetwork,
    tests: Sequence[int],
    findings: Findings,
    about: Sequence[int] | None,
) -> dict[str, float]:
    """Gains of the tests, by name; see `CompiledNetwork.gains`."""
    beliefs = network.beliefs(findings)
    asked = None if about is None else frozenset(about)
    found: dict[int, float] = {}
    groups: dict[frozenset[int], list[int]] = {}
    for test in tests:
        leaf = network.encoder.leaf_of.get(test)
        above = frozenset(network.names.parents[test])
        if leaf is not None and (asked is None or (above <= asked and test not in asked)):
            # given its parents, a leaf depends on nothing else
            found[test] = float(beliefs.gain_vector[leaf])
        else:
            groups.setdefault(above if asked is None else asked, []).append(test)
    for nodes, members in groups.items():
        values = _by_combination(network, members, findings, sorted(nodes))
        found.update(zip(members, values, strict=True))
    return {network.nodes[test]: found[test] for test in tests}


def _by_combination(
    network: CompiledNetwork, tests: Sequence[int], findings: Findings, about: Sequence[int]
) -> list[float]:
    """Entropy of each test less its mean entropy once the named nodes are known."""
    offsets = network.state_offsets
    combinations, shares, prior = possible_combinations(network, findings, about)
    left = np.zeros(len(tests))
    for start in range(0, len(combinations), CHUNK):
        part = slice(start, start + CHUNK)
        marginals = network.propagate_many(combinations[part], findings).marginals
        for place, test in enumerate(tests):
            own = marginals[:, offsets[test] : offsets[test + 1]]
            left[place] += shares[part] @ entropies(own)
    bits = [float(entropies(prior[offsets[t] : offsets[t + 1]])) for t in tests]
    bounded = [min(max(b - rest, 0.0), b) for b, rest in zip(bits, left.tolist(), strict=True)]
    return [
        0.0 if test in findings.readings else gain
        for test, gain in zip(tests, bounded, strict=True)
    ]


def possible_combinations(
    network: CompiledNetwork, findings: Findings, about: Sequence[int]
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Combinations of states that can occur, found node by node.

    Returns:
        State codes of shape (combinations, len(about)), their probabilities given the findings,
        and the marginals of all nodes given the findings alone.

    Raises:
        NetworkTooLargeError: for more than `MOST_COMBINATIONS`.
    """
    offsets = network.state_offsets
    codes = np.full((1, 0), -1, np.int64)
    shares = np.ones(1)
    prior = network.beliefs(findings).marginals
    for node in about:
        own = np.concatenate(
            [
                network.propagate_many(codes[start : start + CHUNK], findings).marginals[
                    :, offsets[node] : offsets[node + 1]
                ]
                for start in range(0, len(codes), CHUNK)
            ]
        )
        before, state = np.nonzero(own > 0.0)
        if len(before) > MOST_COMBINATIONS:
            names = [network.nodes[one] for one in about]
            raise NetworkTooLargeError(len(before), MOST_COMBINATIONS, names)
        shares = shares[before] * own[before, state]
        codes = np.column_stack([codes[before], offsets[node] + state])
    return codes, shares, prior
