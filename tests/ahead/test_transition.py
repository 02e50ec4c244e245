"""The belief across a repair, against a two-epoch network and against enumeration."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from pgmpy.inference import VariableElimination

from diagnose.ahead.state import ProblemBench
from diagnose.ahead.world import ProblemWorld
from tests.ahead import two_epochs
from tests.ahead.two_epochs import CAUSE, FUSE, LAMP, NEW_FUSE, SAME, SETS, WIRE

CASES = list(itertools.product((0, 1), repeat=2))


def belief_after(first: int, second: int) -> np.ndarray:
    """Lamp, new fuse, still dead, lamp again: (sets,)"""
    bench = ProblemBench(two_epochs.problem())
    state = bench.after_test(bench.start, 0, first)
    assert state is not None
    state = bench.after_repair(state, 0, 1)
    assert state is not None
    state = bench.after_test(state, 0, second)
    assert state is not None
    found = np.zeros(len(SETS))
    found[state.active] = state.weight
    return found


@pytest.mark.parametrize(("first", "second"), CASES)
def test_against_a_two_epoch_network(first: int, second: int) -> None:
    # Breese & Heckerman 1996: parts not touched persist, the repaired one is new, what is seen
    # afterwards depends on the mixture. Solved by pgmpy's variable elimination.
    seen = {"complaint": 0, "lamp": first, "check": 0, "lamp_new": second}
    engine = VariableElimination(two_epochs.network())
    wanted = engine.query(["fuse_new", "wire"], evidence=seen, show_progress=False)
    axes = [wanted.variables.index(name) for name in ("fuse_new", "wire")]
    values = np.transpose(wanted.values, axes).ravel()
    np.testing.assert_allclose(belief_after(first, second), values, atol=1e-9)


@pytest.mark.parametrize(("first", "second"), CASES)
def test_against_enumeration(first: int, second: int) -> None:
    lit = np.stack([LAMP, 1 - LAMP], axis=-1)
    joint = np.zeros((3, 2))
    for c, f, w, new in itertools.product(range(2), range(3), range(2), range(3)):
        p = (CAUSE if c else 1 - CAUSE) * FUSE[c][f] * WIRE[c][w] * SAME[f, w] * lit[f, w, first]
        joint[new, w] += p * NEW_FUSE[new] * SAME[new, w] * lit[new, w, second]
    joint /= joint.sum()
    np.testing.assert_allclose(belief_after(first, second), joint.ravel(), atol=1e-9)


def test_the_chance_that_it_is_still_there_by_hand() -> None:
    # With the fuse changed and the wire as it is: sum of P(set) P(new fuse) P(same | both).
    bench = ProblemBench(two_epochs.problem())
    wanted = sum(
        weight * NEW_FUSE[new] * SAME[new, wire]
        for weight, (_, wire) in zip(bench.problem.prior, SETS, strict=True)
        for new in range(3)
    )
    runs, same = bench.checks(bench.start, 0)
    assert same == pytest.approx(wanted, abs=1e-12)
    assert runs == pytest.approx(1.0 - wanted, abs=1e-12)


def test_a_simulated_repair_leaves_what_the_belief_says() -> None:
    # The same transition twice: as a mixture over sets, and drawn (20 000 times).
    world = ProblemWorld(two_epochs.problem())
    drawn = (np.arange(20_000) + 0.5) / 20_000
    for row, (_, wire) in enumerate(SETS):
        found = np.bincount([world.mend(row, 0, float(u)) for u in drawn], minlength=6) / 20_000
        wanted = np.zeros(6)
        wanted[[wire, 2 + wire, 4 + wire]] = NEW_FUSE
        np.testing.assert_allclose(found, wanted, atol=1e-4)


def test_a_part_not_fixed_by_the_repair_stays_as_it_is() -> None:
    world = ProblemWorld(two_epochs.problem())
    assert [world.mend(row, 1, 0.0) for row in range(6)] == [0, 0, 2, 2, 4, 4]


def test_a_new_part_in_place_of_a_good_one_is_wasted() -> None:
    # Set 1 is the wire alone: a new fuse is wasted there, and nowhere that the fuse is bad;
    # mending the wire fits no new part.
    world = ProblemWorld(two_epochs.problem())
    assert [world.wastes(row, 0) for row in range(6)] == [True, True, False, False, False, False]
    assert not any(world.wastes(row, 1) for row in range(6))
