"""What one fault more could explain, by hand on four faults of four parts.

Faults are taken in the order of their numbers. Every set of up to two faults is solved, but for
the pairs that a test says are not; there is one finding, or there are two.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import pytest

from diagnose.belief.extensions import compare_pairs, extend, room_of

N = 4
SETS = [(), *((f,) for f in range(N)), *itertools.combinations(range(N), 2)]
ROW = {faults: row for row, faults in enumerate(SETS)}


@dataclass
class Compared:
    """What `compare_pairs` and `room_of` say of likelihoods given by set."""

    like: np.ndarray
    pair_row: np.ndarray
    quiet: np.ndarray
    change: np.ndarray
    ceiling: np.ndarray
    ahead: np.ndarray
    last: np.ndarray
    room: np.ndarray


MEMBERS = np.array([[*faults, *[N] * (2 - len(faults))] for faults in SETS])


def compared(
    *findings: dict[tuple[int, ...], float], unsolved: tuple[tuple[int, int], ...] = ()
) -> Compared:
    """Of findings by the sets under which they are not a tenth."""
    like = np.array([[finding.get(faults, 0.1) for faults in SETS] for finding in findings])
    pair_row = np.full((N + 1, N + 1), ROW[()])
    for a, b in itertools.product(range(N + 1), repeat=2):
        faults = tuple(sorted({f for f in (a, b) if f < N}))
        pair_row[a, b] = -1 if faults in unsolved else ROW[faults]
    shape = (N + 1, N)
    quiet, ceiling = np.empty(shape, dtype=bool), np.empty(shape)
    change, ahead = np.empty((*shape, len(like))), np.empty((N + 1, N + 1, len(like)))
    order = np.arange(N)
    compare_pairs(pair_row, len(SETS), like, order, quiet, change, ceiling, ahead)
    last, room = np.empty(len(SETS), dtype=np.int64), np.empty(len(SETS))
    room_of(MEMBERS, like, ahead, np.append(order, -1), last, room)
    return Compared(like, pair_row, quiet, change, ceiling, ahead, last, room)


@dataclass
class Below:
    """What `extend` says of one parent."""

    noted: dict[tuple[int, ...], float]
    extra: list[float]
    silent: np.ndarray
    loud: float


def below(
    of: Compared,
    parent: tuple[int, ...],
    weight: dict[tuple[int, ...], float],
    odds: list[float],
    *,
    least: float = 0.0,
    heavy: float = 1.0,
) -> Below:
    """Below a set, with weights by set and the odds of every further fault."""
    weights = np.array([weight.get(faults, 0.0) for faults in SETS])
    noted, bound = np.empty(N, dtype=np.int64), np.empty(N)
    extra, silent, loud = np.zeros(N), np.zeros(len(SETS)), np.zeros(1)
    none = np.zeros(0, dtype=np.int64)
    count = extend(
        np.array([ROW[parent]]), MEMBERS, weights, of.like, of.like.max(axis=1), of.room, of.last,
        of.quiet, of.change, of.ceiling, np.arange(N), np.array([*range(N), -1]),
        np.array([odds]), np.array([0]), of.pair_row, len(SETS), np.zeros(len(SETS) + 1, np.int64),
        none, none, least, heavy, noted, bound, extra, silent, loud,
    )  # fmt: skip
    sets = [(*SETS[at // N], at % N) for at in noted[:count].tolist()]
    return Below(
        dict(zip(sets, bound[:count].tolist(), strict=True)), extra.tolist(), silent, float(loud[0])
    )


def test_a_fault_is_silent_where_nothing_found_changes_by_a_thousandth() -> None:
    of = compared({(1,): 0.1 * (1 + 0.9e-3), (2,): 0.1 * (1 + 1.1e-3), (3,): 0.1 * (1 - 1.1e-3)})
    assert of.quiet[N].tolist() == [True, True, False, False]
    # one finding that changes is enough
    of = compared({}, {(1,): 0.05})
    assert of.quiet[N].tolist() == [True, False, True, True]


def test_what_a_pair_changes_by_hand() -> None:
    # Fault 1 makes the first finding four times as likely, the second half as likely; beside
    # fault 0 it doubles both.
    of = compared(
        {(1,): 0.4, (0,): 0.2, (0, 1): 0.4},
        {(1,): 0.05, (0,): 0.3, (0, 1): 0.6},
    )
    np.testing.assert_allclose(of.change[N, 1], [4.0, 0.5])
    np.testing.assert_allclose(of.change[0, 1], [2.0, 2.0])
    assert of.ceiling[N, 1] == pytest.approx(4.0)  # only what is for the better counts
    assert of.ceiling[0, 1] == pytest.approx(4.0)
    # The most that faults from a place on give beside none: 0.4 at fault 1, then a tenth.
    np.testing.assert_allclose(of.ahead[N, :, 0], [0.4, 0.4, 0.1, 0.1, 0.0])
    np.testing.assert_allclose(of.ahead[0, 1], [0.4, 0.6])
    # From nothing wrong 4 and 3 times as much, after fault 1 neither fault 2 nor 3 do anything.
    assert of.room[ROW[()]] == pytest.approx(4.0 * 3.0)
    assert of.last[ROW[()]] == -1
    assert (of.last[ROW[1,]], of.last[ROW[0, 1]], of.last[ROW[0, 3]]) == (1, 1, 3)
    assert of.room[ROW[0, 3]] == 1.0


def test_a_pair_that_is_not_solved_is_taken_for_the_fault_by_itself() -> None:
    # Fault 2 alone makes it three times as likely; beside fault 0, which doubles it, that is taken
    # for three times more again, and what may come is the larger of 0.3 and 0.2.
    of = compared({(2,): 0.3, (0,): 0.2}, unsolved=((0, 2),))
    np.testing.assert_allclose(of.change[0, 2], [3.0])
    np.testing.assert_allclose(of.ahead[0, 2], [0.3])
    assert not of.quiet[0, 2]


def test_silent_faults_multiply() -> None:
    # Neither of the two further faults changes anything: (1 + 0.1)(1 + 0.3) - 1 of the set's own.
    found = below(compared({}), (0, 1), {(0, 1): 0.5}, [0.0, 0.0, 0.1, 0.3])
    assert found.silent[ROW[0, 1]] == pytest.approx(1.1 * 1.3 - 1.0)
    np.testing.assert_allclose(found.extra, [0.0, 0.0, 0.05, 0.15])
    assert (found.loud, found.noted) == (0.0, {})


LOUD = {(0, 2): 0.2, (1, 2): 0.3, (0, 3): 0.15, (1, 3): 0.15}
"""Fault 2 doubles it beside fault 0 and trebles it beside fault 1; fault 3 half as much again."""


def test_a_loud_fault_weighs_its_odds_times_what_it_does_where_it_does_most() -> None:
    found = below(compared(LOUD), (0, 1), {(0, 1): 0.5}, [0.0, 0.0, 0.01, 0.02])
    assert found.noted == pytest.approx({(0, 1, 2): 0.5 * 0.01 * 3, (0, 1, 3): 0.5 * 0.02 * 1.5})
    # Both together weigh no more than either times the other: 0.02 * 1.5 is small, so the bound
    # of what lies deeper is little more than that.
    one, both = 0.02 * 1.5 + 0.01 * 3.0, 0.01 * 3.0 * 0.02 * 1.5
    assert one + both <= found.loud <= one + 1.02 * both
    assert found.extra == [0.0] * N


def test_what_weighs_little_is_bounded_roughly_and_not_noted() -> None:
    # Then what it does beside the two is multiplied, 1.5 * 1.5 and 2 * 3, up to what all later
    # faults can do to the set, three times.
    found = below(compared(LOUD), (0, 1), {(0, 1): 0.5}, [0.0, 0.0, 0.01, 0.02], least=1.0)
    one, both = 0.02 * 2.25 + 0.01 * 3.0, 0.01 * 3.0 * 0.02 * 2.25
    assert found.noted == {}
    assert one + both <= found.loud <= one + 1.03 * both


def test_all_deeper_ones_together_raise_it_no_more_than_all_can() -> None:
    # Fault 3 with odds of 0.4 raises it half as much again by itself, 0.6; but fault 2 has raised
    # it three times already, and more there is not: k further faults weigh 0.4^k / k!, not 0.6^k.
    found = below(compared(LOUD), (0, 1), {(0, 1): 0.5}, [0.0, 0.0, 0.01, 0.4])
    wanted = 0.4 * 1.5 + 0.01 * 3.0 * (1.0 + math.expm1(0.4))
    assert found.loud == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize(("beside_3", "loud_there"), [(0.1, False), (0.2, True)])
def test_a_silent_fault_before_a_heavy_set_is_met_below_that(
    beside_3: float, *, loud_there: bool
) -> None:
    # {0} weighs 0.4 and {0, 3} half of that; {0, 2} is not solved, fault 2 by itself is silent.
    # Beside fault 3 it is silent too, or doubles it: then {0, 2, 3} is bounded by that.
    of = compared({(0, 3): 0.2, (3,): 0.1, (2, 3): beside_3}, unsolved=((0, 2),))
    found = below(of, (0,), {(0,): 0.4, (0, 3): 0.2}, [0.0, 0.0, 0.01, 0.3], heavy=0.1)
    # Fault 1 is silent and solved with 0: it counts by its odds, none.
    deeper = math.expm1(0.3)  # further faults by their odds, since nothing is left to be raised
    assert found.silent[ROW[0,]] == pytest.approx(0.01)
    if loud_there:
        assert found.silent[ROW[0, 3]] == 0.0
        assert found.extra[2] == pytest.approx(0.4 * 0.01)
    else:
        assert found.silent[ROW[0, 3]] == pytest.approx(0.01)
        assert found.extra[2] == pytest.approx(0.4 * 0.01 + 0.2 * 0.01)
        assert found.loud == pytest.approx(0.01 * 0.5 * deeper, rel=1e-3)
    assert (found.loud > 0.01 * 0.5) == loud_there


def test_a_silent_fault_is_met_below_every_heavy_set_and_not_below_light_ones() -> None:
    # {0} weighs 0.4, {0, 2} 0.3, {0, 3} 0.2 and loud; {0, 1} is not solved, fault 1 silent beside
    # all. It adds its odds to each that weighs more than what is asked for.
    of = compared({(0, 2): 0.2, (0, 3): 0.3}, unsolved=((0, 1),))
    weight = {(0,): 0.4, (0, 2): 0.3, (0, 3): 0.2}
    for heavy, met in ((0.1, 0.9), (0.25, 0.7), (0.35, 0.4)):
        found = below(of, (0,), weight, [0.0, 0.01, 0.3, 0.3], heavy=heavy)
        assert found.extra[1] == pytest.approx(0.01 * met)
        assert found.silent[ROW[0, 2]] == pytest.approx(0.01 * (heavy < 0.3))
        assert found.silent[ROW[0, 3]] == pytest.approx(0.01 * (heavy < 0.2))
