"""How far the search goes: an honest bound of what is left out, and no memory of other jobs."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest

from diagnose.belief import belief as beliefs
from diagnose.belief import frontier, replay, search
from diagnose.belief.belief import believe
from diagnose.faults import solved as table
from diagnose.faults.behaviour import Behaviour
from tests.belief.lift import fresh_sets, job, lift
from tests.faults.machines import shipped

if TYPE_CHECKING:
    from diagnose.belief.belief import Belief
    from diagnose.faults.solved import SolvedSets

PUMP = "standby_pump"


def look_much_further(patch: pytest.MonkeyPatch) -> None:
    """Ten times as many sets, and much lighter ones."""
    for name, value in (
        ("GOOD_ENOUGH", 1e-4),
        ("WORTH_TRYING", 1e-6),
        ("WORTH_A_ROUND", 0.0),
        ("HEAVY", 1e-8),
        ("LIGHT", 10_000),
        ("LEAST_NOTED", 1e-12),
        ("MOST_TRIED", 2500),
        ("TRIED_AT_ONCE", 2500),
        ("MOST_WORK", 1e30),
    ):
        patch.setattr(search if hasattr(search, name) else frontier, name, value)
    patch.setattr(beliefs, "DROPPED", 1e-6)
    patch.setattr(replay, "LEAST_BRANCH", 1e-8)
    patch.setattr(replay, "MOST_SOLVED", 500)


@pytest.mark.parametrize(("seed", "repairs"), [(1, 0), (2, 0), (3, 1), (4, 2)])
def test_the_bound_holds_against_a_far_larger_search(
    seed: int, repairs: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    kind = shipped(PUMP)
    situation = job(seed, repairs, kind=kind)
    found = believe(kind.sets, situation)
    look_much_further(monkeypatch)
    further = believe(fresh_sets(kind), situation)
    off = np.abs(found.survey.faults - further.survey.faults).max()
    assert off <= found.left_out + further.left_out
    assert off <= 0.01  # the project's bar for all but one state in a hundred
    assert found.search == "budget" or found.left_out <= search.GOOD_ENOUGH + 0.005


def test_what_is_said_of_the_search_is_what_was_reached() -> None:
    for seed in range(6):
        found = believe(lift().sets, job(seed, 0))
        enough = search.GOOD_ENOUGH + beliefs.DROPPED
        assert (found.search == "budget") or found.left_out <= enough
        if found.search == "bounded":
            plain = believe(lift().sets, job(seed, 0), bound=False)
            np.testing.assert_array_equal(plain.survey.faults, found.survey.faults)


def assert_identical(one: Belief, other: Belief) -> None:
    width = min(one.members.shape[1], other.members.shape[1])  # beyond is padding
    np.testing.assert_array_equal(one.members[:, :width], other.members[:, :width])
    for name in ("weight", "there"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    for mine, theirs in zip(one.survey, other.survey, strict=True):
        np.testing.assert_array_equal(mine, theirs)
    assert one.log_evidence == other.log_evidence
    assert (one.surprises, one.doubt) == (other.surprises, other.doubt)
    assert (one.left_out, one.search) == (other.left_out, other.search)


@pytest.mark.parametrize(("seed", "repairs"), [(11, 0), (12, 1), (13, 2)])
def test_the_same_job_has_the_same_answer_whatever_was_solved_before(
    seed: int, repairs: int
) -> None:
    """To the last bit: suspects, gains, what was left out."""
    situation = job(seed, repairs)
    used = fresh_sets(lift())
    for other in range(30, 36):
        believe(used, job(other, other % 3))
    assert len(used.now().prior) > used.now().n_base
    assert_identical(believe(fresh_sets(lift()), situation), believe(used, situation))


def test_the_same_on_a_shipped_machine() -> None:
    kind = shipped(PUMP)
    situation = job(5, 1, kind=kind)
    used = fresh_sets(kind)
    for other in range(50, 53):
        believe(used, job(other, other % 3, kind=kind))
    assert len(used.now().prior) > used.now().n_base
    assert_identical(believe(fresh_sets(kind), situation), believe(used, situation))


def test_nor_does_the_table_having_shrunk_change_an_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    situation = job(14, 1)
    wanted = believe(fresh_sets(lift()), situation)
    monkeypatch.setattr(table, "MOST_GROWN", 60)
    used = fresh_sets(lift())
    sizes = list[int]()
    for other in range(60, 74):
        believe(used, job(other, other % 3))
        sizes.append(used.now().nbytes)
    assert max(sizes[7:]) <= 1.2 * max(sizes[:7])
    assert any(later < before for before, later in itertools.pairwise(sizes))
    assert_identical(wanted, believe(used, situation))


def test_an_answer_solves_no_more_than_it_may(monkeypatch: pytest.MonkeyPatch) -> None:
    solved = list[int]()
    plain = Behaviour.readings

    def counted(self: Behaviour, sets: list) -> np.ndarray:
        solved.append(len(sets))
        return plain(self, sets)

    sets: SolvedSets = fresh_sets(shipped(PUMP))
    monkeypatch.setattr(Behaviour, "readings", counted)
    for seed in range(4):
        situation = job(70 + seed, 0, kind=shipped(PUMP))
        solved.clear()
        believe(sets, situation)
        assert sum(solved) <= search.MOST_TRIED + search.SAMPLED + search.STAND_INS
        solved.clear()
        believe(sets, situation)
        assert sum(solved) == 0
