"""Which faults a repair is asked for, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.rule.blame import blamed

GIVES = np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], dtype=bool)
"""Four faults, of which each gives a result of its own; that the machine runs is the first."""


@pytest.mark.parametrize(
    ("shows", "wanted"),
    [
        # Of 10 parts that are not running 3 are more than a fifth, 1 is less.
        ([0.0, 6.0, 3.0, 1.0], [0, 1, 1, 0]),
        # 11 and 9 in 50: a little more than a fifth, and a little less.
        ([0.0, 30.0, 11.0, 9.0], [0, 1, 1, 0]),
        # Just a fifth counts.
        ([0.0, 7.0, 1.0, 2.0], [0, 1, 0, 1]),
        # The share is of what is not running: that it runs 90 times besides changes nothing.
        ([90.0, 6.0, 3.0, 1.0], [0, 1, 1, 0]),
    ],
)
def test_what_the_machine_shows_with_a_fifth_of_what_is_not_running_is_met_now(
    shows: list[float], wanted: list[int]
) -> None:
    found = blamed(GIVES, np.ones(4), np.array(shows), np.zeros(4))
    assert found.tolist() == wanted


def test_what_is_more_likely_there_than_not_is_put_right_whatever_shows() -> None:
    # Only the second fault gives what shows. Of the others 0.51 is more than half and 0.49 and 0.5
    # are not; one that does not keep the job from being done never counts.
    shows = np.array([0.0, 1.0, 0.0, 0.0])
    for chance, counts in ((0.51, 1), (0.5, 0), (0.49, 0)):
        faults = np.array([0.0, 0.0, chance, chance])
        found = blamed(GIVES, np.array([1.0, 1.0, 1.0, 0.0]), shows, faults)
        assert found.tolist() == [0, 1, counts, 0]
