"""Expected cost of repair against its definition, summed in the open."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.advice.plain_repairs import plain_repairs as engine


def by_hand(
    order: tuple[int, ...], chances: list[float], minutes: list[float], waste: list[float]
) -> float:
    spent, left = 0.0, 1.0
    for i in order:
        spent += minutes[i] * left
        left -= chances[i]
        spent += waste[i] * max(left, 0.0)
    return spent


def test_two_parts_as_the_formula_says() -> None:
    # Heckerman, Breese & Rommelse 1995: ECR = c1 + (1 - p1) c2 + (1 - p1 - p2) c_service, the
    # parts in the order of p / c. Here 0.6/10 beats 0.3/20.
    cost, first = engine([0.6, 0.3], [10.0, 20.0], 100.0)
    assert cost == pytest.approx(10 + 0.4 * 20 + 0.1 * 100)
    assert first == 0


def test_cheap_and_unlikely_goes_before_dear_and_likely_when_its_ratio_is_higher() -> None:
    cost, first = engine([0.7, 0.3], [70.0, 5.0], 1000.0)
    assert first == 1
    assert cost == pytest.approx(5 + 0.7 * 70)


def test_hands_over_where_going_on_costs_more() -> None:
    cost, first = engine([0.05, 0.05], [60.0, 60.0], 30.0)
    assert (cost, first) == (30.0, -1)


def test_a_mode_fixed_once_does_not_count_again() -> None:
    # Cleaning fixes the first mode, replacing fixes both: after cleaning, replacing is worth 0.4.
    fixes = np.array([[1, 0], [1, 1]], dtype=np.int8)
    cost, first = engine([0.5, 0.4], [2.0, 30.0], 500.0, fixes)
    assert first == 0
    assert cost == pytest.approx(2 + 0.5 * 30 + 0.1 * 500)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(st.floats(0.01, 1.0), st.floats(1.0, 60.0), st.sampled_from([0.0, 30.0])),
        min_size=1,
        max_size=5,
    ),
    st.floats(50.0, 500.0),
)
def test_no_order_and_no_stop_is_cheaper(
    parts: list[tuple[float, float, float]], escalate: float
) -> None:
    total = max(sum(p for p, _, _ in parts), 1.0)
    chances = [p / total for p, _, _ in parts]
    minutes, waste = [c for _, c, _ in parts], [w for _, _, w in parts]
    cost, _ = engine(chances, minutes, escalate, waste=waste)
    best = escalate
    for length in range(1, len(parts) + 1):
        for order in itertools.permutations(range(len(parts)), length):
            left = max(1.0 - sum(chances[i] for i in order), 0.0)
            best = min(best, by_hand(order, chances, minutes, waste) + left * escalate)
    assert cost == pytest.approx(best, rel=1e-9)


def test_a_good_part_spared_is_worth_its_minutes() -> None:
    # ECR with 30 minutes for every new part that was not needed:
    # 10 + 30 (1 - 0.6), then 0.4 * 20, then 0.1 * 100. The second repair fits no new part.
    cost, first = engine([0.6, 0.3], [10.0, 20.0], 100.0, waste=[30.0, 0.0])
    assert cost == pytest.approx(10 + 0.4 * 30 + 0.4 * 20 + 0.1 * 100)
    assert first == 0


def test_no_new_part_goes_in_on_a_small_chance_when_sparing_it_is_worth_more() -> None:
    assert engine([0.2], [10.0], 60.0)[1] == 0
    assert engine([0.2], [10.0], 60.0, waste=[30.0])[1] == -1
