"""How far the exported network is from the engine that gives advice.

Both are asked the same along simulated jobs: a complaint, then one finding after the other, each
drawn from the engine's own chances. What counts of a state is the largest difference in the
probability of any suspect. The engine lies above this layer, so it is handed in.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import count, cycle
from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.words import YES
from diagnose.inference.compiled import CompiledNetwork, compile_network

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from diagnose.inference.families import Network

MOST_FINDINGS = 6
"""Findings of one simulated job."""

LEADING = 5
"""The next test is one of so many that the engine offers first."""

Fault = tuple[str, str]
"""Ids of a part and of its mode."""


@dataclass(frozen=True, slots=True)
class EngineAnswer:
    """What the engine says of one state of a job.

    Attributes:
        suspects: (part, mode) -> probability.
        tests: test -> outcome -> chance, the best test first.
    """

    suspects: Mapping[Fault, float]
    tests: Mapping[str, Mapping[str, float]]


Engine = Callable[[str, Mapping[str, str]], EngineAnswer]
"""From a complaint and findings (test -> outcome) to what the engine says."""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Largest error of any suspect's probability, over some states of jobs.

    Attributes:
        states: how many states were compared.
        median: of the errors; so are the other two.
        percentile_99: 99 of 100 states have a smaller error.
        largest: the worst of all.
    """

    states: int
    median: float
    percentile_99: float
    largest: float


def measure_accuracy(
    network: Network, complaints: Sequence[str], engine: Engine, states: int, seed: int = 0
) -> Accuracy:
    """Compares a network with the engine along simulated jobs.

    Args:
        network: the network, as `compact_network` makes it.
        complaints: ids of the complaints that jobs begin with, one after the other.
        engine: the engine.
        states: how many states to compare, at least one.
        seed: of the draws.

    Raises:
        NetworkTooLargeError: the network cannot be compiled.
    """
    compiled = compile_network(network)
    walk = _walk(compiled, complaints, engine, np.random.default_rng(seed))
    errors = np.array([next(walk) for _ in range(states)])
    median, percentile = np.quantile(errors, (0.5, 0.99))
    return Accuracy(states, float(median), float(percentile), float(errors.max()))


def _walk(
    compiled: CompiledNetwork, complaints: Sequence[str], engine: Engine, rng: np.random.Generator
) -> Iterator[float]:
    """The error of one state after the other, job after job."""
    for complaint in cycle(complaints):
        findings: dict[str, str] = {}
        for done in count():
            answer = engine(complaint, findings)
            yield error_of(compiled, complaint, findings, answer)
            left = [test for test in answer.tests if test not in findings][:LEADING]
            if done == MOST_FINDINGS or not left:
                break
            test = left[int(rng.integers(len(left)))]
            chances = np.array(list(answer.tests[test].values()))
            drawn = int(rng.choice(len(chances), p=chances / chances.sum()))
            findings[test] = list(answer.tests[test])[drawn]


def error_of(
    compiled: CompiledNetwork, complaint: str, findings: Mapping[str, str], answer: EngineAnswer
) -> float:
    """Largest difference in the probability of any suspect that the engine names."""
    beliefs = compiled.posterior({complaint: YES, **findings})
    return max(
        (abs(beliefs[part][mode] - chance) for (part, mode), chance in answer.suspects.items()),
        default=0.0,
    )
