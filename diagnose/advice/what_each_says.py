"""What the network says of every test: chances of its outcomes, faults after each, bits."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.inference.beliefs import Beliefs
    from diagnose.inference.findings import Findings
    from diagnose.inference.whatif import Settled
    from diagnose.machine.model import Test
    from diagnose.network.ready import ReadyMachine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

IMPOSSIBLE_BELOW = 1e-12
"""Chance below which an outcome counts as impossible."""


@dataclass(frozen=True, slots=True, eq=False)
class Said:
    """What the network says. The outcomes of all tests stand one after the other.

    Attributes:
        beliefs: posterior of every node.
        faults: (faults,) posterior of every fault.
        tests: the tests.
        offsets: (tests + 1,) where the outcomes of each begin.
        gains_bits: (tests,) information about the state of the parts.
        chances: (outcomes,) probability of each.
        suspects: numbers of the faults that can give the complaint.
        after: (outcomes, suspects) posterior of these after each outcome; as it is now after one
            that cannot be.
    """

    beliefs: Beliefs
    faults: Floats
    tests: tuple[Test, ...]
    offsets: Ints
    gains_bits: Floats
    chances: Floats
    suspects: Ints
    after: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """What is asked of a machine's network, whatever was found.

    Attributes:
        codes: (faults,) where each fault's probability stands in a vector of all states.
        tests: ids of all tests in the network, in the order of the file.
        leaf: (tests,) place of each in a vector of gains.
        offsets: (tests + 1,) where the outcomes of each begin, all tests one after the other.
        outcomes: (outcomes,) where each outcome's probability stands in a vector of all states.
        causes: ids of the tests that look for a shared cause.
        nodes: all parts, and what the file does not list.
        columns: (faults,) where each fault stands in an answer about `nodes`.
        part: (faults,) place of its part among `nodes`.
    """

    codes: Ints
    tests: tuple[str, ...]
    leaf: Ints
    offsets: Ints
    outcomes: Ints
    causes: tuple[str, ...]
    nodes: tuple[str, ...]
    columns: Ints
    part: Ints


@lru_cache(maxsize=16)
def _asked(ready: ReadyMachine) -> _Asked:
    compiled, faults = ready.compiled, ready.faults
    leaf_of = {name: place for place, name in enumerate(compiled.leaves)}
    tests = [test for test in ready.machine.tests.values() if test.id in leaf_of]
    codes = [compiled.code(part, mode) for part, mode in faults]
    nodes = tuple(dict.fromkeys(part for part, _ in faults))
    sizes = [len(compiled.states(part)) for part in nodes]
    begin = dict(zip(nodes, np.cumsum([0, *sizes[:-1]]).tolist(), strict=True))
    outcomes = [compiled.code(test.id, one.id) for test in tests for one in test.outcomes]
    return _Asked(
        codes=np.array(codes, dtype=np.int64),
        tests=tuple(test.id for test in tests),
        leaf=np.array([leaf_of[test.id] for test in tests], dtype=np.int64),
        offsets=np.cumsum([0, *(len(test.outcomes) for test in tests)]),
        outcomes=np.array(outcomes, dtype=np.int64),
        causes=tuple(test.id for test in tests if test.cause is not None),
        nodes=nodes,
        columns=np.array([begin[p] + compiled.states(p).index(m) for p, m in faults]),
        part=np.array([nodes.index(part) for part, _ in faults], dtype=np.int64),
    )


def what_each_says(
    ready: ReadyMachine, complaint: str, findings: Findings, tests: Sequence[Test]
) -> Said:
    """What the network says of some tests.

    Only faults that can give the complaint are followed: no other one bears on what a repair of
    it costs.

    Args:
        ready: the machine.
        complaint: what the customer reports.
        findings: what is known.
        tests: what could be done; one that the network does not hold is left out.

    Raises:
        ClashError: the findings cannot all be true.
    """
    asked = _asked(ready)
    settled = ready.compiled.settled(findings)
    beliefs = settled.beliefs
    faults = beliefs.marginals[asked.codes]
    place_of = {test: place for place, test in enumerate(asked.tests)}
    known = tuple(test for test in tests if test.id in place_of)
    places = np.array([place_of[test.id] for test in known], dtype=np.int64)
    sizes = np.diff(asked.offsets)[places]
    offsets = np.concatenate([[0], np.cumsum(sizes)])
    rows = np.repeat(asked.offsets[places] - offsets[:-1], sizes) + np.arange(offsets[-1])
    chances = beliefs.marginals[asked.outcomes[rows]]
    suspects = np.flatnonzero(ready.explains[complaint] > 0.0)
    gains = beliefs.gain_vector[asked.leaf[places]].copy()
    for place, bits in _about_parts(ready, settled, known).items():
        gains[place] = min(gains[place], bits)
    return Said(
        beliefs=beliefs,
        faults=faults,
        tests=known,
        offsets=offsets,
        gains_bits=gains,
        chances=chances,
        suspects=suspects,
        after=_after(ready, settled, asked.codes[suspects], rows, chances),
    )


def _after(
    ready: ReadyMachine, settled: Settled, codes: Ints, rows: Ints, chances: Floats
) -> Floats:
    """(outcomes, suspects) see `Said`."""
    joint = settled.joint_with(_asked(ready).tests, codes).T[rows]
    possible = (chances >= IMPOSSIBLE_BELOW)[:, None]
    found = np.tile(settled.beliefs.marginals[codes], (len(rows), 1))
    return np.divide(joint, chances[:, None], where=possible, out=found)


def _about_parts(ready: ReadyMachine, settled: Settled, tests: Sequence[Test]) -> dict[int, float]:
    """What each test of a shared cause says about the parts, in bits, by its place.

    The sum over the parts of the mutual information between the part and the outcome. Knowing
    about the cause itself repairs nothing, so the caller caps what the outcome says about the
    cause by it.
    """
    asked = _asked(ready)
    about = {place: test.id for place, test in enumerate(tests) if test.cause is not None}
    if not about:
        return {}
    ahead = settled.outcomes_of(asked.causes, asked.nodes)
    before = float(_entropy_bits(settled.beliefs.marginals[asked.codes][None], asked.part)[0])
    left = _entropy_bits(ahead.marginals[:, asked.columns], asked.part)
    left = np.where(ahead.chance > 0.0, left, before)
    found = {}
    for place, name in about.items():
        own = slice(*ahead.outcome_offsets[asked.causes.index(name) :][:2])
        found[place] = max(before - float(ahead.chance[own] @ left[own]), 0.0)
    return found


def _entropy_bits(faults: Floats, part: Ints) -> Floats:
    """(cases,) sum of the entropies of the parts' modes.

    Args:
        faults: (cases, faults) posterior of every fault.
        part: (faults,) number of its part, in rising order.
    """
    starts = np.flatnonzero(np.diff(part, prepend=-1))
    good = np.maximum(1.0 - np.add.reduceat(faults, starts, axis=1), 0.0)
    each = np.concatenate([faults, good], axis=1)
    found: Floats = -np.sum(each * np.log2(np.where(each > 0.0, each, 1.0)), axis=1)
    return found
