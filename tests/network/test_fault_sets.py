"""The network's posteriors against sums over fault sets, each solved as a whole circuit."""

from __future__ import annotations

from functools import cache

import pytest

from tests import shipped
from tests.network.compare import Comparison, compare, in_words

JOBS = 200
LARGER = 12_000


@cache
def comparison(name: str) -> Comparison:
    return compare(name, JOBS, LARGER)


@pytest.mark.parametrize("name", shipped.NAMES)
def test_up_to_two_faults(name, capsys):
    found = comparison(name)
    with capsys.disabled():
        print("\n" + in_words(name, found))  # noqa: T201 - the figures are the point
    assert found.same_pairs.mean() >= 0.98
    assert found.distance_pairs.mean() <= 0.03


@pytest.mark.parametrize("name", shipped.NAMES)
def test_all_faults(name):
    """The sample of larger sets is small here, so its noise is allowed for."""
    found = comparison(name)
    assert found.same_all.mean() >= 0.97
    assert found.distance_all.mean() <= 0.03 + found.noise.mean()


@pytest.mark.parametrize("name", shipped.NAMES)
def test_the_engine_lies_within_the_mass_left_out(name):
    found = comparison(name)
    assert found.below.max() <= 1e-12
    assert found.above.max() <= 1e-12
