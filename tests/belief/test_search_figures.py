"""How far a search goes, in the figures that DEVELOPERS.md gives."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
import pytest

from diagnose.belief import frontier as below
from diagnose.belief.frontier import Frontier
from diagnose.belief.search import SearchResult, search
from diagnose.faults.behaviour import Behaviour
from tests.belief.lift import calm, job, lift
from tests.faults.machines import shipped

ENOUGH = 0.004
"""What may be left out."""


@cache
def quiet_job(seed: int) -> SearchResult:
    """One on the lift with faults about as common as on the shipped machines."""
    kind, _ = calm()
    return search(kind.sets, job(seed, 0, tests=5, kind=kind))


def test_a_search_is_good_enough_when_it_leaves_out_four_thousandths() -> None:
    little = more = sampled = 0
    for seed in range(60):
        found = quiet_job(seed)
        assert (found.search == "budget") == (found.left_out > ENOUGH)
        sampled += found.search == "sampled"
        little += ENOUGH / 1.5 < found.left_out < ENOUGH
        more += ENOUGH < found.left_out < 1.5 * ENOUGH
    assert little
    assert more
    assert sampled


@dataclass
class Asked:
    """What was asked of the frontiers of one search.

    Attributes:
        rounds: bounds, how many could be solved, how many were to be.
        loud: what the loud extensions of the last one could have together.
        drawn: how many extensions were drawn, each time.
        stood_for: out of how many how many were drawn, by whoever draws evenly.
    """

    rounds: list[tuple[np.ndarray, int, int]] = field(default_factory=list)
    loud: float = 0.0
    drawn: list[int] = field(default_factory=list)
    stood_for: list[tuple[int, int]] = field(default_factory=list)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    """Notes it and changes nothing."""
    noted = Asked()
    best, drawn, evenly = Frontier.best, Frontier.drawn, below.drawn_evenly

    def noting_best(self: Frontier, solved: object, count: int) -> list:
        found = best(self, solved, count)  # type: ignore[arg-type]
        noted.rounds.append((self.bound.copy(), count, len(found)))
        noted.loud = self.loud
        return found

    def noting_drawn(self: Frontier, solved: object, count: int) -> tuple:
        noted.drawn.append(count)
        return drawn(self, solved, count)  # type: ignore[arg-type]

    def noting_evenly(size: np.ndarray, count: int) -> np.ndarray:
        noted.stood_for.append((len(size), count))
        return evenly(size, count)

    monkeypatch.setattr(Frontier, "best", noting_best)
    monkeypatch.setattr(Frontier, "drawn", noting_drawn)
    monkeypatch.setattr(below, "drawn_evenly", noting_evenly)
    return noted


def test_a_set_is_solved_for_3e_4_of_the_belief_and_a_round_made_for_4e_3(asked: Asked) -> None:
    single = together = 0
    for seed in range(60):
        kind, _ = calm()
        search(kind.sets, job(seed, 0, tests=5, kind=kind), bound=False)
    for bound, count, solved in asked.rounds:
        worth = bound[bound > 3e-4]
        assert solved == (0 if worth.sum() < 4e-3 else min(count, len(worth)))
        if solved:
            single += ((bound > 2e-4) & (bound < 3e-4)).any() and solved < count
            together += worth.sum() < 6e-3
        else:
            together += worth.sum() > 4e-3 / 1.5
    assert single
    assert together > 1


@pytest.mark.parametrize(("work", "most"), [(1.0, 256), (4000.0, 100), (1e6, 16)])
def test_an_answer_asks_for_256_sets_or_as_many_as_their_work_allows(
    work: float, most: int, asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 400 000 units of work, and 16 sets whatever they cost; no more than 128 at once.
    monkeypatch.setattr(Behaviour, "work", work)
    for name in ("WORTH_TRYING", "WORTH_A_ROUND", "HEAVY"):
        monkeypatch.setattr(below, name, 0.0)
    search(lift().sets, job(3, 0), bound=False)
    so_far = 0
    for _, count, solved in asked.rounds:
        assert count == min(128, most - so_far)
        so_far += solved
    assert so_far == most


def test_256_light_sets_and_64_or_256_extensions_stand_for_all(asked: Asked) -> None:
    # Below light sets the bound is estimated from 256 of them; where the bound says too little, 64
    # larger sets are drawn; where loud ones could have over two percent together, 256 stand for
    # them.
    nearly = just = 0
    pump = shipped("standby_pump")
    for seed in range(24):
        asked.drawn.clear()
        asked.stood_for.clear()
        found = search(pump.sets, job(seed, 0, tests=5, kind=pump))
        says_little, loud = found.search != "bounded", asked.loud > 0.02
        assert [count for _, count in asked.stood_for] == [256] + [64] * says_little + [256] * loud
        assert asked.drawn == [64] * says_little + [256] * loud
        assert min(size for size, _ in asked.stood_for) > 256
        nearly += 0.02 / 1.5 < asked.loud < 0.02
        just += 0.02 < asked.loud < 0.03
    assert nearly
    assert just


def test_where_little_may_be_solved_fewer_stand_for_all(
    asked: Asked, monkeypatch: pytest.MonkeyPatch
) -> None:
    pump = shipped("standby_pump")
    monkeypatch.setattr(Behaviour, "work", 1e6)  # 16 sets whatever they cost
    search(pump.sets, job(19, 0, tests=5, kind=pump))
    assert asked.loud > 0.02
    assert asked.drawn == [16, 16]


def test_two_standard_errors_are_added_to_what_light_sets_are_estimated_at(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # If the error were as large as the sum, what is left out below them would be three times it.
    pump = shipped("standby_pump")
    situation = job(7, 0, tests=5, kind=pump)

    def left_out(error: float) -> float:
        monkeypatch.setattr(below, "error_of_sum", lambda each, _: error * float(each.sum()))
        return search(pump.sets, situation).left_out

    heavy = search(pump.sets, situation, bound=False).left_out
    light = left_out(0.0) - heavy
    monkeypatch.setattr("diagnose.belief.search.GOOD_ENOUGH", 1.0)
    assert light > 1e-6
    assert left_out(1.0) - heavy == pytest.approx(3.0 * light)


def test_sets_that_weigh_a_ten_thousandth_are_extended_each_by_itself(asked: Asked) -> None:
    # Of the others nobody knows by how much silent faults raise them: they take the mean of those.
    pump, just_below = shipped("standby_pump"), 0
    for seed in range(24):
        asked.drawn.clear()
        found = search(pump.sets, job(seed, 0, tests=5, kind=pump), bound=False)
        if asked.drawn:
            continue  # some stand for others, which is another factor
        share = found.replay.weight / found.replay.weight.sum()
        _, of_value, count = np.unique(found.factor, return_inverse=True, return_counts=True)
        assert count.max() > 1000
        heaviest = share[of_value == count.argmax()].max()
        assert heaviest <= 1e-4
        just_below += heaviest > 1e-4 / 1.5
    assert just_below
