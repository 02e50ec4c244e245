"""Draws that stand for all, and the error of a sum, by hand and by the textbook."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.belief.draws import drawn_evenly, error_of_sum


def test_places_are_drawn_at_even_steps_of_their_sizes() -> None:
    # Four steps over a length of 1 + 0 + 3: at 0.5, 1.5, 2.5 and 3.5.
    assert drawn_evenly(np.array([1.0, 0.0, 3.0]), 4).tolist() == [0, 2, 2, 2]
    # Eight over the same length: at 0.25, 0.75, 1.25 and so on.
    assert drawn_evenly(np.array([1.0, 0.0, 3.0]), 8).tolist() == [0, 0, 2, 2, 2, 2, 2, 2]
    # One stands in the middle.
    assert drawn_evenly(np.array([2.0, 1.0, 4.0]), 1).tolist() == [2]
    assert drawn_evenly(np.full(5, 0.1), 5).tolist() == [0, 1, 2, 3, 4]


def test_nothing_is_drawn_of_nothing() -> None:
    for size, count in (([], 3), ([0.0, 0.0], 3), ([1.0, 2.0], 0)):
        assert drawn_evenly(np.array(size), count).tolist() == []


@pytest.mark.parametrize(
    ("each", "often"),
    [
        ([2.0, 6.0], [1, 1]),
        ([2.0, 6.0, 3.0], [2, 1, 3]),
        ([0.5, 4.0, 0.0, 9.0], [1, 2, 5, 3]),
        ([7.0], [4]),
    ],
)
def test_the_error_of_a_sum_is_the_root_of_the_draws_times_their_deviation(
    each: list[float], often: list[int]
) -> None:
    # n independent draws of one quantity: their sum has n times its variance (Cochran, Sampling
    # Techniques, 1977, chapter 2; from memory). Each draw of a place adds an equal share to it.
    draws = np.repeat(np.array(each) / often, often)
    wanted = np.sqrt(len(draws)) * draws.std()
    assert error_of_sum(np.array(each), np.array(often)) == pytest.approx(wanted, abs=1e-12)


def test_the_error_of_a_sum_by_hand() -> None:
    # 2 and 6: the mean is 4, the deviation 2, and the sum of two has the root of two times that.
    found = error_of_sum(np.array([2.0, 6.0]), np.array([1, 1]))
    assert found == pytest.approx(2.8284271247461903)
