"""The belief across a repair, against a two-epoch network and against enumeration."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from pgmpy.inference import VariableElimination

from diagnose.ahead.play import mend
from diagnose.ahead.state import Bench
from tests.decision import two_epochs
from tests.decision.two_epochs import CAUSE, FUSE, LAMP, NEW_FUSE, SAME, SETS, WIRE

CASES = list(itertools.product((0, 1), repeat=2))


def belief_after(first: int, second: int) -> np.ndarray:
    """Lamp, new fuse, still dead, lamp again: (hypotheses,)"""
    bench = Bench(two_epochs.problem())
    state = bench.after_test(bench.start, 0, first)
    assert state is not None
    state = bench.after_repair(state, 0)
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


def test_a_simulated_repair_leaves_what_the_belief_says() -> None:
    # The same transition twice: as a mixture over hypotheses, and drawn (20 000 times).
    problem = two_epochs.problem()
    drawn = (np.arange(20_000) + 0.5) / 20_000
    for h, (_, wire) in enumerate(SETS):
        found = np.bincount([mend(problem, h, 0, float(u)) for u in drawn], minlength=6) / 20_000
        wanted = np.zeros(6)
        wanted[[wire, 2 + wire, 4 + wire]] = NEW_FUSE
        np.testing.assert_allclose(found, wanted, atol=1e-4)


def test_a_part_not_fixed_by_the_repair_stays_as_it_is() -> None:
    problem = two_epochs.problem()
    assert [mend(problem, h, 1, 0.0) for h in range(6)] == [0, 0, 2, 2, 4, 4]
