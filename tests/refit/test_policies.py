"""A shop that works another way gets the same rates within the intervals."""

from __future__ import annotations

import numpy as np

from diagnose.trial.worlds import drawn_world
from tests.belief.lift import calm
from tests.refit.policies import POLICIES, agree, holds, shops_of
from tests.refit.recover import truth_of


def test_rates_do_not_depend_on_how_a_shop_works() -> None:
    """The same machines along the wiring, by certainty and by the advice. What is done next rests
    on what is recorded, so it drops out of the likelihood (Rubin 1976, ignorable)."""
    machine = calm()[0].machine
    world = drawn_world(machine, 31)
    shops = shops_of(machine, world, 220, 3, held=80)
    assert tuple(shops) == POLICIES
    steps = {policy: done.counted.patterns for policy, done in shops.items()}
    assert len({tuple(p.key for p in own) for own in steps.values()}) == len(POLICIES)
    gate = shops["gate"]
    for done in shops.values():
        assert agree(gate, done).mean() >= 0.9
        truth = truth_of(machine, world, done.evidence.model)
        n = done.evidence.model.n_rates
        assert holds(done, truth).mean() > 0.9 - 3.0 * np.sqrt(0.09 / n)
