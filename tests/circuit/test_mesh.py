"""Star-mesh elimination against textbooks and numpy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.circuit.codes import REFERENCE
from diagnose.circuit.mesh import make_plan
from diagnose.circuit.operating import solve

LEAK = 1e-12
"""So small that it does not count in the hand-worked circuits."""


def volts_of(
    n_nets: int, elements: list[tuple[int, int, float]], amps: list[float], leak: float = LEAK
) -> np.ndarray:
    """Net volts; elements as (net, net, ohms)."""
    plan = make_plan(n_nets, [(a, b) for a, b, _ in elements])
    siemens = np.array([1.0 / ohms for *_, ohms in elements])
    return solve(plan, siemens, leak, np.array(amps))


def by_numpy(
    n_nets: int, elements: list[tuple[int, int, float]], amps: list[float], leak: float = LEAK
) -> np.ndarray:
    matrix = np.eye(n_nets) * leak
    for a, b, ohms in elements:
        for one, other in ((a, b), (b, a)):
            if one != REFERENCE and a != b:
                matrix[one, one] += 1.0 / ohms
                if other != REFERENCE:
                    matrix[one, other] -= 1.0 / ohms
    return np.linalg.solve(matrix, np.array(amps))


def test_star_and_delta_are_the_same() -> None:
    # Kennelly 1899: star arms 1, 2, 3 ohm make a delta of 11/3, 11/2 and 11 ohm.
    ends = [(0, REFERENCE, 5.0), (1, REFERENCE, 7.0), (2, REFERENCE, 11.0)]
    star = [(0, 3, 1.0), (1, 3, 2.0), (2, 3, 3.0), *ends]
    delta = [(0, 1, 11 / 3), (0, 2, 11 / 2), (1, 2, 11.0), *ends]
    amps = [1.0, -0.25, 2.0]
    np.testing.assert_allclose(
        volts_of(4, star, [*amps, 0.0])[:3], volts_of(3, delta, amps), rtol=1e-9
    )


@given(
    ohms=st.lists(st.floats(1e-3, 1e3), min_size=2, max_size=6),
    amps=st.lists(st.floats(-10, 10), min_size=6, max_size=6),
)
def test_star_becomes_mesh(ohms: list[float], amps: list[float]) -> None:
    # Rosen 1924: g_ij = g_i g_j / sum(g) between every two ends of a star.
    n = len(ohms)
    ends = [(i, REFERENCE, 1.0 + i) for i in range(n)]
    star = [(i, n, r) for i, r in enumerate(ohms)]
    whole = sum(1.0 / r for r in ohms)
    mesh = [(i, j, ohms[i] * ohms[j] * whole) for i in range(n) for j in range(i + 1, n)]
    met = volts_of(n + 1, star + ends, [*amps[:n], 0.0])[:n]
    np.testing.assert_allclose(met, volts_of(n, mesh + ends, amps[:n]), rtol=1e-8, atol=1e-9)


def test_ladder_of_unit_resistors_counts_in_fibonacci_numbers() -> None:
    # From memory: Morgan-Voyce 1959. Behind 1 ohm and 13 V, three rungs read 5, 2 and 1 V.
    rungs = [(i, REFERENCE, 1.0) for i in range(3)]
    rails = [(0, 1, 1.0), (1, 2, 1.0)]
    source = (0, REFERENCE, 1.0)
    np.testing.assert_allclose(
        volts_of(3, [*rungs, *rails, source], [13.0, 0.0, 0.0]), [5.0, 2.0, 1.0], rtol=1e-10
    )


@st.composite
def wirings(draw: st.DrawFn) -> tuple[int, list[tuple[int, int, float]], list[float]]:
    """A random tree from the reference outwards, sometimes with a few cross connections."""
    n = draw(st.integers(1, 14))
    some_ohms = st.sampled_from([0.0005, 0.01, 0.12, 4.0, 35.0, 1e4, 1e8])
    tree = [(i, draw(st.integers(REFERENCE, i - 1)), draw(some_ohms)) for i in range(n)]
    net = st.integers(REFERENCE, n - 1)
    cross = draw(st.lists(st.tuples(net, net, some_ohms), max_size=5))
    cross = [one for one in cross if one[0] != one[1] or one[0] != REFERENCE]
    amps = draw(st.lists(st.floats(-100, 100), min_size=n, max_size=n))
    return n, tree + cross, amps


@given(wirings())
def test_random_wiring_like_numpy(
    wiring: tuple[int, list[tuple[int, int, float]], list[float]],
) -> None:
    n, elements, amps = wiring
    expected = by_numpy(n, elements, amps, 1e-7)
    scale = float(np.abs(expected).max()) + 1e-9
    np.testing.assert_allclose(
        volts_of(n, elements, amps, 1e-7), expected, rtol=1e-4, atol=1e-4 * scale
    )


def test_digits_survive_beside_ten_megohms() -> None:
    # Between two 10 megohm leaks and a 0.5 milliohm joint: the drop is 0.5e-3 / 10e6 of 12 V.
    elements = [(0, REFERENCE, 1.0), (0, 1, 0.0005), (1, REFERENCE, 1e7)]
    volts = volts_of(2, elements, [12.0, 0.0], 1e-7)
    drop = volts[1] * 0.0005 * (1e-7 + 1e-7)
    assert volts[0] - volts[1] == pytest.approx(drop, abs=4e-15)


def test_a_tree_is_eliminated_without_fill() -> None:
    # From the leaves inwards every star has at most one arm (Parter 1961).
    plan = make_plan(6, [(1, 0), (2, 0), (3, 1), (4, 1), (5, 2), (0, REFERENCE)])
    assert np.diff(plan.arms).max() <= 1
    assert not len(plan.mesh)
    assert plan.n_edges == 5
