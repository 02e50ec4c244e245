"""Which test comes first, against worked examples from outside this project."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from diagnose.inference.compiled import compile_network
from diagnose.inference.families import Family, Network


def chain_of(parts: int) -> Network:
    """A series chain with exactly one failed part; probe k shows whether it lies before k."""
    where = Family.build("failed", [f"p{i}" for i in range(parts)], (), [1 / parts] * parts)
    probes = [
        Family.build(
            f"probe{k}",
            ["live", "dead"],
            ["failed"],
            [[0.0, 1.0] if i < k else [1.0, 0.0] for i in range(parts)],
        )
        for k in range(1, parts)
    ]
    return Network((where, *probes))


@pytest.mark.parametrize("parts", [4, 8, 16])
def test_half_split_is_best_with_equal_minutes(parts: int) -> None:
    # The half-split rule of electronics trouble-shooting: with equal priors and equal cost the
    # middle probe is best (Brule, Johnson & Kletsky 1960); it gains exactly one bit.
    net = compile_network(chain_of(parts))
    gains = net.gains([f"probe{k}" for k in range(1, parts)])
    best = max(gains, key=lambda name: gains[name])
    assert best == f"probe{parts // 2}"
    assert gains[best] == pytest.approx(1.0, abs=1e-12)


def test_unequal_minutes_move_the_split_to_the_best_entropy_per_minute() -> None:
    # Johnson 1960: information per cost is the figure of merit. P(dead) at probe k is k/8.
    minutes = {k: 1.0 + 0.8 * abs(k - 2) for k in range(1, 8)}
    gains = compile_network(chain_of(8)).gains([f"probe{k}" for k in range(1, 8)])

    def entropy(p: float) -> float:
        return -(p * math.log2(p) + (1 - p) * math.log2(1 - p))

    by_hand = max(minutes, key=lambda k: entropy(k / 8) / minutes[k])
    by_engine = max(minutes, key=lambda k: gains[f"probe{k}"] / minutes[k])
    assert by_engine == by_hand == 2
    for k in minutes:
        assert gains[f"probe{k}"] == pytest.approx(entropy(k / 8), abs=1e-12)


VALUES = (0, 4, 6, 8, 10, 12, 14)


def component(name: str, inputs: list[str], truth: dict[tuple[int, ...], int]) -> list[Family]:
    """A part that is right when ok and shows any value, equally likely, when faulty."""
    shape = (2, *[len(VALUES)] * len(inputs), len(VALUES))
    table = np.full(shape, 1 / len(VALUES))
    for index in itertools.product(range(len(VALUES)), repeat=len(inputs)):
        right = truth.get(tuple(VALUES[i] for i in index))
        table[(0, *index)] = (
            np.full(len(VALUES), 1 / len(VALUES))
            if right is None
            else np.eye(len(VALUES))[VALUES.index(right)]
        )
    names = [str(value) for value in VALUES]
    health = Family.build(f"{name}_ok", ["ok", "faulty"], (), [0.99, 0.01])
    output = {"m1": "x", "m2": "y", "m3": "z", "a1": "f", "a2": "g"}[name]
    return [health, Family.build(output, names, [f"{name}_ok", *inputs], table)]


def test_the_adder_multiplier_circuit_of_de_kleer_and_williams() -> None:
    # de Kleer & Williams 1987, "Diagnosing multiple faults", section on the next measurement:
    # inputs A=3, B=2, C=2, D=3, E=3; F=10 is observed where 12 was predicted, G=12 is right.
    # The minimal diagnoses are {A1}, {M1}, {M2, M3}, {M2, A2}, and the best place to measure is X.
    sums = {
        (one, two): one + two
        for one, two in itertools.product(VALUES, repeat=2)
        if one + two in VALUES
    }
    families = [
        *component("m1", [], {(): 6}),
        *component("m2", [], {(): 6}),
        *component("m3", [], {(): 6}),
        *component("a1", ["x", "y"], sums),
        *component("a2", ["y", "z"], sums),
    ]
    net = compile_network(Network(tuple(families)))
    seen = {"f": "10", "g": "12"}
    parts = ["m1_ok", "m2_ok", "m3_ok", "a1_ok", "a2_ok"]
    gains = net.gains(["x", "y", "z"], given=seen, about=parts)
    assert max(gains, key=lambda name: gains[name]) == "x"
    beliefs = net.posterior(seen)
    single = {name: beliefs[name]["faulty"] for name in parts}
    assert sorted(single, key=lambda name: -single[name])[:2] in (
        ["a1_ok", "m1_ok"],
        ["m1_ok", "a1_ok"],
    )
    # measuring X tells the two leading single diagnoses apart
    assert net.posterior({**seen, "x": "4"})["m1_ok"]["faulty"] > 0.9
    assert net.posterior({**seen, "x": "6"})["a1_ok"]["faulty"] > 0.9
