"""A base and its table: what is in it, what comes back from disk, how it grows and shrinks."""

from __future__ import annotations

import itertools
from functools import cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.faults import base as module
from diagnose.faults import solved as table
from diagnose.faults.base import base_sets, pack, solve_base, unpack
from diagnose.faults.priors import padded
from tests.belief.lift import every, fresh_sets, lift

if TYPE_CHECKING:
    from diagnose.faults.solved import Solved


@cache
def solved() -> Solved:
    return solve_base(lift().behaviour, lift().sets.priors)


def readings_of(held: Solved, row: int) -> np.ndarray:
    """(observables, 2)."""
    columns = range(held.place.shape[1])
    return np.array([held.readings(column, np.array([row]))[0] for column in columns])


def test_a_base_holds_nothing_every_fault_and_all_pairs_of_two_parts() -> None:
    part = lift().behaviour.part_of
    pairs = [p for p in combinations(range(len(part)), 2) if part[p[0]] != part[p[1]]]
    wanted = [(), *((f,) for f in range(len(part))), *pairs]
    assert base_sets(lift().behaviour, lift().sets.priors) == wanted
    assert [solved().faults(row) for row in range(len(wanted))] == wanted
    assert solved().n_base == len(wanted)
    for row, faults in enumerate(wanted):
        assert solved().row(faults) == row
    assert solved().row((0, 2, 5)) == -1
    assert solved().row((0, 1)) == -1  # two modes of one part


def test_where_there_are_too_many_pairs_those_with_the_largest_priors_stay(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "MOST_PAIRS", 10)
    n = len(lift().faults)
    kept = base_sets(lift().behaviour, lift().sets.priors)[n + 1 :]
    prior = every().prior.sum(axis=0)
    pairs = sorted(
        (faults for faults in every().sets if len(faults) == 2),
        key=lambda faults: -prior[every().place[faults]],
    )
    assert set(kept) == set(pairs[:10])


def test_every_row_reads_what_the_solved_circuit_gives() -> None:
    sets = [solved().faults(row) for row in range(solved().n_base)]
    wanted = lift().behaviour.readings(sets)
    found = np.array([readings_of(solved(), row) for row in range(len(sets))])
    np.testing.assert_allclose(found, wanted, atol=1e-11)
    prior = every().prior.sum(axis=0)
    places = [every().place[faults] for faults in sets]
    np.testing.assert_allclose(solved().prior, prior[places], rtol=1e-12)


def test_progress_is_told_up_to_the_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BLOCK", 40)
    told = list[tuple[int, int]]()
    solve_base(lift().behaviour, lift().sets.priors, lambda *done: told.append(done))
    total = solved().n_base
    assert told == [(min(n, total), total) for n in range(40, total + 40, 40)]


def test_what_is_packed_comes_back() -> None:
    arrays = pack(solved())
    assert all(isinstance(array, np.ndarray) for array in arrays.values())
    back = unpack(arrays, lift().behaviour, lift().sets.priors)
    assert back.n_base == solved().n_base
    for one, other in zip(back.values, solved().values, strict=True):
        np.testing.assert_array_equal(one, other)
    for name in ("members", "prior", "place", "pair_row"):
        np.testing.assert_array_equal(getattr(back, name), getattr(solved(), name))
    for name in ("rows", "noise", "near", "which"):
        np.testing.assert_array_equal(getattr(back.chances, name), getattr(solved().chances, name))
    for one, other in zip(back.chances.numbers, solved().chances.numbers, strict=True):
        np.testing.assert_array_equal(one, other)


def changed(name: str, *, at: tuple[int, ...] = (), to: float = 0.0) -> dict[str, np.ndarray]:
    """The base as plain arrays with one number changed."""
    arrays = pack(solved())
    wide = np.float64 if arrays[name].dtype.kind == "f" else np.int64  # what a forger may store
    arrays[name] = arrays[name].astype(wide)
    arrays[name][at] = to
    return arrays


def shortened(name: str) -> dict[str, np.ndarray]:
    arrays = pack(solved())
    return {**arrays, name: arrays[name][:-1]}


FORGED = {
    "a place beyond the readings": lambda: changed("place", at=(3, 0), to=10**6),
    "a negative place": lambda: changed("place", at=(3, 0), to=-1),
    "a fault beyond all": lambda: changed("members", at=(3, 0), to=99),
    "a negative fault": lambda: changed("members", at=(3, 0), to=-1),
    "a single fault that is not there": lambda: changed("members", at=(2, 0), to=0),
    "something in the set of no fault": lambda: changed("members", at=(0, 0), to=1),
    "a reading that is no number": lambda: changed("values", at=(0, 0), to=np.nan),
    "a prior that is no number": lambda: changed("prior", at=(4,), to=np.nan),
    "a negative prior": lambda: changed("prior", at=(4,), to=-0.1),
    "more readings than there are": lambda: changed("counts", at=(0,), to=50),
    "no pairs and too few singles": lambda: {
        key: array[:5] if key in {"members", "prior", "place"} else array
        for key, array in pack(solved()).items()
    },
    **{f"too short: {name}": lambda name=name: shortened(name) for name in pack(solved())},
}


@pytest.mark.parametrize("forged", FORGED)
def test_forged_arrays_are_refused(forged: str) -> None:
    with pytest.raises(ValueError, match="not the fault sets of this machine"):
        unpack(FORGED[forged](), lift().behaviour, lift().sets.priors)


@pytest.mark.parametrize("name", ["members", "prior", "place", "values", "counts"])
def test_missing_arrays_are_refused(name: str) -> None:
    arrays = pack(solved())
    del arrays[name]
    with pytest.raises(KeyError):
        unpack(arrays, lift().behaviour, lift().sets.priors)


def triples(start: int, count: int) -> list[tuple[int, ...]]:
    part = lift().behaviour.part_of
    every_triple = [
        faults
        for faults in combinations(range(len(part)), 3)
        if len({int(part[f]) for f in faults}) == 3
    ]
    return every_triple[start : start + count]


def test_grown_sets_read_what_the_solved_circuit_gives() -> None:
    sets = fresh_sets(lift())
    before = sets.now()
    asked = [*triples(0, 30), triples(0, 30)[0], (0, 2)]
    held = sets.with_sets(asked)
    assert len(held.prior) == before.n_base + 30
    assert len(before.prior) == before.n_base  # a view taken before stays as it was
    rows = [held.row(faults) for faults in asked]
    wanted = lift().behaviour.readings(asked)
    found = np.array([readings_of(held, row) for row in rows])
    np.testing.assert_allclose(found, wanted, atol=1e-11)
    prior = lift().sets.priors.joint(padded(asked, held.n_faults)).sum(axis=1)
    np.testing.assert_allclose(held.prior[rows], prior, rtol=1e-12)
    assert sets.with_sets(asked) is held


def test_a_grown_table_shrinks_in_bytes_and_keeps_what_was_asked_for_last(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(table, "MOST_GROWN", 100)
    sets = fresh_sets(lift())
    start = sets.now().nbytes
    sizes, grown = list[int](), list[int]()
    for first in range(0, 500, 20):
        sets.with_sets(triples(0, 5))  # these are asked for all the time
        held = sets.with_sets(triples(first, 20))
        assert all(held.row(faults) >= 0 for faults in triples(first, 20))
        sizes.append(held.nbytes)
        grown.append(len(held.prior) - held.n_base)
    assert max(grown) <= 100
    assert max(sizes[len(sizes) // 2 :]) <= max(sizes[: len(sizes) // 2])
    assert min(sizes[5:]) < max(sizes)  # it does shrink
    assert max(sizes) < 3 * start
    assert all(held.row(faults) >= 0 for faults in triples(0, 5))
    assert len(sets._asked) <= 100
    fresh = fresh_sets(lift()).with_sets(triples(480, 20))
    for faults in triples(480, 20):
        np.testing.assert_array_equal(
            readings_of(held, held.row(faults)), readings_of(fresh, fresh.row(faults))
        )


def test_a_grown_table_is_bounded_in_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "GROWN_BYTES", 20_000)
    sets = fresh_sets(lift())
    start, sizes = sets.now().nbytes, list[int]()
    for first in range(0, 300, 20):
        held = sets.with_sets(triples(first, 20))
        assert all(held.row(faults) >= 0 for faults in triples(first, 20))
        sizes.append(held.nbytes - start)
    batch = sizes[0]
    assert max(sizes) <= 20_000 + 2 * batch
    assert max(sizes) > 10_000
    assert any(later < before for before, later in itertools.pairwise(sizes))


def test_more_sets_than_may_stay_are_there_for_the_job_that_asks(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(table, "MOST_GROWN", 20)
    sets = fresh_sets(lift())
    for _ in range(2):
        held = sets.with_sets(triples(0, 60))
        assert all(held.row(faults) >= 0 for faults in triples(0, 60))
