"""How many sets with a bad new part are solved for it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from diagnose.belief.factors import steps_of
from diagnose.belief.replay import replay
from diagnose.belief.situation import Epoch, RepairDone, Situation
from tests.faults.machines import shipped


def test_the_48_likeliest_that_are_not_solved_are_asked_for() -> None:
    # Every set of two other parts' faults comes in; with the new relay bad each makes one of three.
    # A new part is bad in its modes by their rates: the likeliest is the likeliest pair with the
    # mode that has the highest.
    pump = shipped("standby_pump")
    solved, none = pump.sets.now(), len(pump.faults)
    own = [f for f, (part, _) in enumerate(pump.faults) if part == "start_relay"]
    members = solved.members[: solved.n_base]
    others = (members[:, :2] < none).all(axis=1) & ~np.isin(members, own).any(axis=1)
    rows = np.flatnonzero(others)
    done = RepairDone("start_relay", "replace")
    steps = steps_of(pump.sets, solved, Situation("silent", past=(Epoch((), done),)))
    missing = replay(solved, pump.sets.priors, steps, rows).missing
    assert len(rows) > 1000
    assert len(set(missing)) == len(missing) == 48
    relay = pump.machine.parts["start_relay"]
    rates = {f: relay.modes[pump.faults[f][1]].per_1000_jobs for f in own}
    assert all(len(faults) == 3 and len(set(faults) & set(own)) == 1 for faults in missing)
    # By what the customer said and the priors of the pair, times the rate of the mode.
    weight = replay(solved, pump.sets.priors, steps[:1], rows).weight
    of_pair = {solved.faults(int(row)): w for row, w in zip(rows, weight, strict=True)}
    shares = [
        of_pair[tuple(f for f in faults if f not in rates)] * sum(rates.get(f, 0.0) for f in faults)
        for faults in missing
    ]
    assert all(one >= other * (1.0 - 1e-9) for one, other in pairwise(shares))
    every = np.sort(np.outer(weight, list(rates.values())).ravel())[::-1]
    np.testing.assert_allclose(shares, every[:48], rtol=1e-9)
