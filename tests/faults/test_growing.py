"""A table that grows: what was handed out stays, and what is the same is held once."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.faults.chances import CHANCE_DIGITS, Chances
from diagnose.faults.growing import Growing
from diagnose.faults.manners import outcomes_by_manner
from tests.belief.lift import fresh_sets, lift


@pytest.mark.parametrize("order", ["C", "F"])
def test_rows_handed_out_before_do_not_change(order: str) -> None:
    rng = np.random.default_rng(7)
    rows = np.asarray(rng.integers(0, 9, (5, 3)), order=order)  # type: ignore[call-overload]
    growing, whole, handed = Growing(rows), rows, [(rows, rows.copy())]
    for count in (1, 7, 0, 40, 3):
        more = rng.integers(0, 9, (count, 3))
        whole = np.concatenate([whole, more])
        now = growing.append(more)
        handed.append((now, whole))
        assert now.flags.f_contiguous == (order == "F") or order == "F"
    for now, wanted in handed:
        np.testing.assert_array_equal(now, wanted)


def test_wider_rows_widen_all_with_the_filler() -> None:
    growing = Growing(np.array([[1, 2], [3, 9]]))
    before = growing.now
    now = growing.append(np.array([[4, 5, 6]]), filler=9)
    np.testing.assert_array_equal(now, [[1, 2, 9], [3, 9, 9], [4, 5, 6]])
    np.testing.assert_array_equal(before, [[1, 2], [3, 9]])
    np.testing.assert_array_equal(growing.append(np.array([[7]]), filler=9)[-1], [7, 9, 9])


def test_vectors_grow_too() -> None:
    growing = Growing(np.array([0.5]))
    np.testing.assert_array_equal(growing.append(np.array([1.5, 2.5])), [0.5, 1.5, 2.5])


def larger_sets(count: int) -> list[tuple[int, ...]]:
    sets = fresh_sets(lift())
    part, rng = sets.behaviour.part_of, np.random.default_rng(11)
    found = dict[tuple[int, ...], None]()
    while len(found) < count:
        chosen = sorted(rng.permutation(len(part))[: rng.integers(3, 5)].tolist())
        if len(set(part[chosen].tolist())) == len(chosen):
            found[tuple(chosen)] = None
    return list(found)


def test_sets_that_come_one_by_one_show_what_they_show_together() -> None:
    larger = larger_sets(30)
    slowly, at_once = fresh_sets(lift()), fresh_sets(lift())
    views = [slowly.with_sets([faults]) for faults in larger]
    whole = at_once.with_sets(larger)
    for view, faults in zip(views, larger, strict=True):
        assert view.row(faults) == len(view.prior) - 1
        assert view.row(larger[-1]) == (-1 if view is not views[-1] else len(view.prior) - 1)
        for test in range(len(slowly.columns.tests)):
            rows = [
                held.chances.rows[held.chances.which[held.row(faults), test]]
                for held in (view, whole)
            ]
            np.testing.assert_array_equal(*rows)


def test_a_test_keeps_every_row_of_chances_once() -> None:
    sets = fresh_sets(lift())
    sets.with_sets(larger_sets(40))
    chances = sets.now().chances
    assert len(chances.rows) == len(chances.noise) == len(chances.near)
    used = 0
    for test, numbers in enumerate(chances.numbers):
        if numbers.size:
            rows = np.unique(numbers)
            assert len(np.unique(chances.rows[rows], axis=0)) == len(rows)
            used += len(rows)
            _agrees(sets.now().values[sets.columns.column[test]], chances, test, sets)
    assert used == len(chances.rows)


def _agrees(values: np.ndarray, chances: Chances, test: int, sets) -> None:
    """The rows are those of the readings, and nearness is counted from the good machine."""
    asked = sets.columns.tests[test]
    wanted = np.round(outcomes_by_manner(asked, values), CHANCE_DIGITS)
    held = chances.of(test, len(asked.outcomes))
    np.testing.assert_array_equal(held, wanted)
    good = chances.rows[chances.which[0, test]]
    near = 1.0 - 0.5 * np.abs(chances.rows[chances.numbers[test]] - good).sum(axis=-1)
    np.testing.assert_allclose(chances.near[chances.numbers[test]], near, atol=1e-12)
