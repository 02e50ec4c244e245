"""How many sets with a bad new part are solved for it."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from diagnose.belief import replay as module
from diagnose.belief.factors import Factor, Transition, steps_of
from diagnose.belief.replay import replay
from diagnose.belief.situation import Epoch, Finding, RepairDone, Situation
from tests.belief.lift import fresh_sets
from tests.faults.machines import shipped


def test_the_48_likeliest_that_are_not_solved_are_asked_for() -> None:
    # Every set of two other parts' faults comes in; with the new relay bad each makes one of three.
    # A new part is bad in its modes by their rates: the likeliest is the likeliest pair with the
    # mode that has the highest.
    pump = shipped("standby_pump")
    sets = fresh_sets(pump)  # no job has asked for larger ones yet
    solved, none = sets.now(), len(pump.faults)
    own = [f for f, (part, _) in enumerate(pump.faults) if part == "start_relay"]
    members = solved.members[: solved.n_base]
    others = (members[:, :2] < none).all(axis=1) & ~np.isin(members, own).any(axis=1)
    rows = np.flatnonzero(others)
    done = RepairDone("start_relay", "replace")
    steps = steps_of(sets, solved, Situation("silent", past=(Epoch((), done),)))
    missing = replay(solved, sets.priors, steps, rows).missing
    assert len(rows) > 1000
    assert len(set(missing)) == len(missing) == 48
    relay = pump.machine.parts["start_relay"]
    rates = {f: relay.modes[pump.faults[f][1]].per_1000_jobs for f in own}
    assert all(len(faults) == 3 and len(set(faults) & set(own)) == 1 for faults in missing)
    # By what the customer said and the priors of the pair, times the rate of the mode.
    weight = replay(solved, sets.priors, steps[:1], rows).weight
    of_pair = {solved.faults(int(row)): w for row, w in zip(rows, weight, strict=True)}
    shares = [
        of_pair[tuple(f for f in faults if f not in rates)] * sum(rates.get(f, 0.0) for f in faults)
        for faults in missing
    ]
    assert all(one >= other * (1.0 - 1e-9) for one, other in pairwise(shares))
    every = np.sort(np.outer(weight, list(rates.values())).ravel())[::-1]
    np.testing.assert_allclose(shares, every[:48], rtol=1e-9)


def test_what_is_not_followed_is_bounded_by_the_pairs_and_the_crumbs_by_the_likeliest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Sets of one steady fault come in and no bad new part is followed. Beside one fault it is a
    # solved pair, so the bound is exact: share, times its rate, times the likelihood of the pair.
    # Where share and rate are below 1e-8 of all, the likelihood is taken to be the largest there
    # is.
    monkeypatch.setattr(module, "LEAST_BRANCH", 1.0)
    pump = shipped("standby_pump")
    solved = fresh_sets(pump).now()
    steady = [f for f, (_, mode) in enumerate(pump.faults) if mode != "loose"]
    rows = np.array([solved.row(()), *(solved.row((f,)) for f in steady)])
    near = np.zeros(2, dtype=int)
    for part in pump.machine.parts.values():
        if any(repair.id == "replace" for repair in part.repairs):
            near += bounded_by_hand(part.id, rows)
    assert near.all()  # some are little above it, some little below


def bounded_by_hand(part: str, rows: np.ndarray) -> tuple[int, int]:
    """Checks the bound; how many shares are up to half above 1e-8, and as far below."""
    pump = shipped("standby_pump")
    sets = fresh_sets(pump)
    solved, priors = sets.now(), sets.priors
    past = (Epoch((), RepairDone(part, "replace")),)
    situation = Situation("silent", (Finding("call_in_volts", "full"),), past=past)
    told, mended, found = steps_of(sets, solved, situation)
    assert isinstance(found, Factor)
    assert isinstance(mended, Transition)
    begun, ended = (replay(solved, priors, s, rows) for s in ([told], [told, mended, found]))
    own = {pump.faults[fault][0] for fault in mended.bad}
    total, above, below = 0.0, 0, 0
    for row, weight in zip(rows.tolist(), begun.weight.tolist(), strict=True):
        left = tuple(f for f in solved.faults(row) if not mended.fixed[f])
        if {pump.faults[f][0] for f in left} & own:
            continue  # the part has a fault as it is
        for fault, chance in mended.bad.items():
            pair = solved.row(tuple(sorted((*left, fault))))
            if pair < 0:  # it is taken to do beside the other what it does by itself
                one, alone, none = (solved.row(s) for s in (left, (fault,), ()))
                one, alone, none = (
                    found.like[0, solved.place[r, found.column]] for r in (one, alone, none)
                )
                like = min(one * alone / none, found.like.max())
            else:
                like = found.like[0, solved.place[pair, found.column]]
            share = weight * chance / begun.total
            total += weight * chance * (like if share > 1e-8 else found.like.max())
            above += 1e-8 < share < 1.5e-8
            below += 1e-8 / 1.5 < share < 1e-8
    scale = np.exp(ended.log_scale - begun.log_scale)
    assert ended.lost * scale == pytest.approx(total, rel=1e-6), part
    return above, below
