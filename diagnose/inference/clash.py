"""Which findings cannot be true together: a smallest set of them."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.inference.compiled import CompiledNetwork
    from diagnose.inference.findings import Findings

EXHAUSTIVE_UP_TO = 3
MOST_SETS = 20_000
"""Sets of each size that are tried at most; beyond, the set found is minimal, not smallest."""


def smallest_clash(network: CompiledNetwork, findings: Findings) -> list[tuple[str, str]]:
    """A set of findings with probability zero, from which none can be taken away.

    Deletion filtering finds a minimal set (Chinneck & Dravnieks 1991); sets of one, two and
    three findings are then tried all, so that a smallest one is named where that is cheap.

    Returns:
        `(node, state)` per finding; weights show as `(likelihood)`, readings as `(reading)`.
    """
    parts = _parts(findings)
    minimal = _deletion_filter(network, findings, parts)
    for size in range(1, min(EXHAUSTIVE_UP_TO + 1, len(minimal))):
        smaller = _first_of_size(network, findings, parts, size)
        if smaller is not None:
            minimal = smaller
            break
    return [_named(network, findings, part) for part in minimal]


Part = tuple[str, int]


def _parts(findings: Findings) -> list[Part]:
    """Single findings; a state and weights on one node are two."""
    return [
        *(("state", node) for node in sorted(findings.states)),
        *(("weights", node) for node in sorted(findings.weights)),
        *(("reading", node) for node in sorted(findings.readings)),
    ]


def _only(network: CompiledNetwork, findings: Findings, parts: Sequence[Part]) -> Findings:
    kept = set(parts)
    return network.encoder.encode(
        {n: s for n, s in findings.states.items() if ("state", n) in kept},
        {n: w for n, w in findings.weights.items() if ("weights", n) in kept},
        {n: r for n, r in findings.readings.items() if ("reading", n) in kept},
    )


def _possible(
    network: CompiledNetwork, findings: Findings, sets: Sequence[Sequence[Part]]
) -> list[bool]:
    cases = [_only(network, findings, parts) for parts in sets]
    return [bool(log > -np.inf) for log in network.propagate_cases(cases).log_evidence]


def _deletion_filter(
    network: CompiledNetwork, findings: Findings, parts: Sequence[Part]
) -> list[Part]:
    """Leaves out one finding after the other while the rest still clashes."""
    kept = list(parts)
    for part in parts:
        fewer = [other for other in kept if other != part]
        if not _possible(network, findings, [fewer])[0]:
            kept = fewer
    return kept


def _first_of_size(
    network: CompiledNetwork, findings: Findings, parts: Sequence[Part], size: int
) -> list[Part] | None:
    sets = list(combinations(parts, size)) if _count(len(parts), size) <= MOST_SETS else []
    for start in range(0, len(sets), 256):
        chunk = sets[start : start + 256]
        for candidate, possible in zip(chunk, _possible(network, findings, chunk), strict=True):
            if not possible:
                return list(candidate)
    return None


def _count(items: int, size: int) -> int:
    count = 1
    for step in range(size):
        count = count * (items - step) // (step + 1)
    return count


def _named(network: CompiledNetwork, findings: Findings, part: Part) -> tuple[str, str]:
    kind, node = part
    name = network.names.nodes[node]
    if kind == "state":
        return name, network.names.states[node][findings.states[node]]
    return name, "(likelihood)" if kind == "weights" else "(reading)"
