"""What is wrong with the machines of a trial, against sums over every fault set.

The sums come from the machine file (`tests/ahead/file_priors.py`) and from the levels of the
functions; the draws go forward, shared causes first, then part by part, and are kept when the
complaint is made, in right words or wrong, and the machine shows that something is amiss.
"""

from __future__ import annotations

import itertools
from collections import Counter
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import stats

from diagnose.job import prepare
from diagnose.machine.load import load_machine
from diagnose.trial.shop import Truth, draw_machines, draw_truths
from tests.ahead.file_priors import UNLISTED, combinations, given, joint, sets_up_to
from tests.belief.by_levels import at_levels
from tests.commands.carts import CART
from tests.trial.sensitivity import with_other_priors

if TYPE_CHECKING:
    from diagnose.rule.prepared import Prepared

KEPT = {
    ("battery", "low"): 4.0,
    ("battery", "flat"): 4.0,
    ("charger", "no_output"): 6.0,
    ("relay_plug", "open"): 15.0,
    ("relay_plug", "loose"): 15.0,
    ("main_fuse", "open"): 15.0,
    ("lamp_wire", "open"): 12.0,
    ("start_button", "open"): 15.0,
    ("start_relay", "coil_open"): 15.0,
}
"""The faults that a machine for counting can have, and how much more often than the barn cart's;
a nest raises some of them, a charger without output others."""

DRAWN = 6_000


@cache
def counted():
    """A cart with few and frequent faults, so that every set of them can be gone through."""
    machine = load_machine(CART)
    factors = {
        (part.id, mode): KEPT.get((part.id, mode), 0.0)
        for part in machine.parts.values()
        for mode in part.modes
    }
    return prepare(with_other_priors(machine, factors))


@cache
def weights() -> dict[tuple[tuple[int, ...], int], float]:
    """(faults, whether a nest is there) -> share of the jobs that come as silent."""
    ready = counted()
    own = [f for f, name in enumerate(ready.faults) if name in KEPT or name[0] == UNLISTED]
    names = [ready.faults[f] for f in own]
    sets = sets_up_to(names, len({part for part, _ in names}))
    chances = joint(ready.machine, [tuple(names[f] for f in one) for one in sets])
    numbers = [tuple(own[f] for f in one) for one in sets]
    chances *= comes(ready, "silent", numbers)[:, None]
    return {
        (faults, nest): share
        for faults, row in zip(numbers, (chances / chances.sum()).tolist(), strict=True)
        for nest, share in enumerate(row)
    }


def comes(ready: Prepared, complaint: str, sets: list[tuple[int, ...]]) -> np.ndarray:
    """(sets,) chance that a machine comes with a complaint and that something is amiss to see.

    Estimates of the project: right words in 85 of 100, the others spread over the other
    complaints; 1 in 1 000 where nothing is wrong.
    """
    machine, behaviour = ready.machine, ready.behaviour
    readings = behaviour.readings(sets)
    fits = {c.id: at_levels(behaviour, readings, c.says) for c in machine.complaints.values()}
    amiss = np.any([*fits.values(), ~at_levels(behaviour, readings, machine.works)], axis=0)
    wrong = 0.15 / (len(fits) - 1)
    told = np.where(fits[complaint], 0.85, np.where(amiss, wrong, 0.001))
    return told.mean(axis=1) * amiss.mean(axis=1)


@cache
def truths() -> list[Truth]:
    found = draw_truths(counted(), "silent", DRAWN, np.random.default_rng(8))
    assert len(found) == DRAWN
    return found


def test_every_set_with_its_causes_comes_as_often_as_the_sum_says() -> None:
    # Pearson's chi-square over all cells with five or more to be expected, the others as one.
    wanted, seen = weights(), Counter((one.faults, one.causes) for one in truths())
    assert set(seen) <= {cell for cell, share in wanted.items() if share > 0.0}
    cells = [cell for cell, share in wanted.items() if share * DRAWN >= 5.0]
    expected = np.array([wanted[cell] * DRAWN for cell in cells])
    counts = np.array([seen[cell] for cell in cells])
    rest = DRAWN - expected.sum()
    found = stats.chisquare([*counts, DRAWN - counts.sum()], [*expected, rest])
    assert len(cells) > 40
    assert found.pvalue > 0.01


def test_nobody_comes_with_a_machine_that_works() -> None:
    assert all(one.faults for one in truths())


@pytest.mark.parametrize("least", [2, 3, 4])
def test_so_many_faults_at_once_come_as_often_as_the_sum_says(least: int) -> None:
    # Clopper & Pearson's exact interval, at a level that one in ten thousand fails.
    share = sum(p for (faults, _), p in weights().items() if len(faults) >= least)
    hits = sum(len(one.faults) >= least for one in truths())
    interval = stats.binomtest(hits, DRAWN).proportion_ci(0.9999)
    assert interval.low <= share <= interval.high
    assert share > 0.001


@pytest.mark.parametrize(("name", "complaint"), [("standby_pump", "silent")])
def test_single_faults_of_a_shipped_machine(name: str, complaint: str) -> None:
    # Of the jobs with one fault: shares by the file and the circuit.
    ready = prepare(name)
    sets = sets_up_to(ready.faults, 1)[1:]
    chances = joint(ready.machine, [tuple(ready.faults[f] for f in one) for one in sets])
    share = chances.sum(axis=1) * comes(ready, complaint, sets)
    drawn = draw_truths(ready, complaint, 700, np.random.default_rng(3))
    single = Counter(one.faults[0] for one in drawn if len(one.faults) == 1)
    n = single.total()
    expected = n * share / share.sum()
    often = np.flatnonzero(expected >= 5.0)
    counts = np.array([single[fault] for fault in often.tolist()])
    rest = n - expected[often].sum()
    found = stats.chisquare([*counts, n - counts.sum()], [*expected[often], rest])
    assert len(often) > 10
    assert found.pvalue > 0.01


@pytest.mark.parametrize("name", ["standby_pump", "utility_vehicle"])
def test_how_many_faults_machines_have_that_stand_about(name: str) -> None:
    # Given the causes, parts fail independently: the distribution of the number of faults is a
    # product of polynomials (generating functions; Feller 1968, chapter 11), summed over the
    # causes and over the states of the parts that are causes themselves.
    ready = prepare(name)
    wanted = np.zeros(6)
    for share, free in combinations(ready.machine):
        wanted += share * of_given(ready.machine, free)
    wanted[5] = 1.0 - wanted[:5].sum()
    rng = np.random.default_rng(4)
    drawn = [one for _ in range(6) for one in draw_machines(ready, rng)]
    counts = np.bincount([min(len(one.faults), 5) for one in drawn], minlength=6)
    assert (
        stats.chisquare(
            [*counts[:3], counts[3:].sum()], len(drawn) * np.array([*wanted[:3], wanted[3:].sum()])
        ).pvalue
        > 0.01
    )


def of_given(machine, free: frozenset[str]) -> np.ndarray:
    """(6,) chance of so many faults, the last of five, with these causes there."""
    derived = [cause for cause in machine.shared_causes.values() if cause.part is not None]
    firsts = list(dict.fromkeys(cause.part for cause in derived))
    found = np.zeros(6)
    for modes in itertools.product(*(machine.parts[part].modes for part in firsts)):
        at = dict(zip(firsts, modes, strict=True))
        table = given(machine, free | {c.id for c in derived if at[c.part] in c.modes})
        share = float(np.prod([table[part, mode] for part, mode in at.items()]))
        polynomial = np.zeros(6)
        polynomial[sum(mode != "ok" for mode in modes)] = share
        for part in (*machine.parts, UNLISTED):
            if part not in at:
                good = table[part, "ok"]
                polynomial = good * polynomial + (1.0 - good) * np.append(0.0, polynomial[:-1])
        found += polynomial
    return found
