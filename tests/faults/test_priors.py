"""Priors of fault sets against products written out over causes and parts.

The bale lift has two causes of its own, two parts that two of them raise, and a part whose failure
is a cause itself; all its fault sets are gone through. The shipped machines are compared with the
figures of their files.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from diagnose.errors import NetworkError
from diagnose.faults import priors as module
from diagnose.faults.behaviour import make_behaviour
from diagnose.faults.priors import (
    cause_chance,
    make_priors,
    new_part_modes,
    padded,
    part_table,
)
from diagnose.machine.model import Raise
from tests.belief.lift import every, lift
from tests.faults.machines import NAMES, shipped

SHARE = 0.25
"""Of four machines standing about, one would be a job (`words.SHARE_OF_MACHINES`; estimate)."""


@cache
def joint() -> np.ndarray:
    """(sets, free combinations) of the bale lift."""
    return lift().sets.priors.joint(padded(every().sets, len(lift().faults)))


def combination(place: int) -> int:
    """Number of a combination of the referee's, as the engine counts them."""
    there = every().combinations[place]
    causes = lift().sets.priors.causes[: lift().sets.priors.n_free]
    return sum(1 << bit for bit, cause in enumerate(causes) if cause in there)


def test_every_set_with_every_combination_of_causes() -> None:
    assert joint().sum() == pytest.approx(1.0, abs=1e-12)
    for place in range(len(every().combinations)):
        np.testing.assert_allclose(joint()[:, combination(place)], every().prior[place], rtol=1e-12)


def test_marginal_priors_are_the_files() -> None:
    """Whatever raises a mode, its prior is its `per_1000_jobs`, scaled to machines."""
    marginal = joint().sum(axis=1) @ every().holds
    machine = lift().machine
    for fault, (part, mode) in enumerate(lift().faults):
        unlisted = {"no_lift": 20.0, "slow_lift": 30.0}
        listed = part in machine.parts
        rate = machine.parts[part].modes[mode].per_1000_jobs if listed else unlisted[mode]
        assert marginal[fault] == pytest.approx(SHARE * rate / 1000.0, rel=1e-9)


@pytest.mark.parametrize("known", ["nothing", "of the causes"])
def test_one_fault_more(known: str) -> None:
    """By the quotient of the two priors, for every set and fault; also for the fault that is a
    cause, which makes others likelier that the set holds already."""
    priors = lift().sets.priors
    weight = np.ones(len(priors.free)) if known == "nothing" else np.array([0.3, 2.0, 0.7, 1.1])
    rows = np.arange(0, len(every().sets), 7)
    members = padded([every().sets[row] for row in rows], len(lift().faults))
    found = priors.extension(members, weight)
    total = joint() @ weight
    for place, row in enumerate(rows.tolist()):
        faults = every().sets[row]
        held = {lift().faults[f][0] for f in faults}
        for fault, (part, _) in enumerate(lift().faults):
            if part in held:
                continue
            more = every().place[tuple(sorted((*faults, fault)))]
            assert found.table[found.row[place], fault] == pytest.approx(
                total[more] / total[row], rel=1e-9
            )


def test_causes_given_a_set() -> None:
    """By Bayes over the combinations; a part's failure is there where the set holds it."""
    priors = lift().sets.priors
    weight = np.array([0.3, 2.0, 0.7, 1.1])
    members = padded(every().sets, len(lift().faults))
    found = priors.there(members, weight)
    factor = np.array([weight[combination(i)] for i in range(len(every().combinations))])
    whole = every().prior * factor[:, None]
    for number, cause in enumerate(priors.causes):
        known = lift().machine.shared_causes[cause]
        wanted = (whole * every().there(known)).sum(axis=0) / whole.sum(axis=0)
        np.testing.assert_allclose(found[:, number], wanted, atol=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_shipped_priors_of_single_faults_are_the_files(name: str) -> None:
    """Summed over causes by hand (they are independent) for each part by itself."""
    machine = shipped(name).machine
    for part in machine.parts.values():
        causes, table = part_table(machine, part)
        for cause in causes:
            p = cause_chance(machine, machine.shared_causes[cause])
            table = np.tensordot([1.0 - p, p], table, axes=(0, 0))
        written = [SHARE * mode.per_1000_jobs / 1000.0 for mode in part.modes.values()]
        np.testing.assert_allclose(table[1:], written[1:], rtol=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_a_cause_multiplies_the_modes_it_raises(name: str) -> None:
    """P(mode | present) / P(mode | absent) is the factor of the file, 1 for all other modes."""
    machine, raised = shipped(name).machine, 0
    for part in machine.parts.values():
        causes, table = part_table(machine, part)
        for axis, cause in enumerate(causes):
            factors = np.ones(len(part.modes))
            for one in machine.shared_causes[cause].raises:
                if one.part == part.id:
                    for mode in one.modes:
                        factors[list(part.modes).index(mode)] = one.factor
                        raised += 1
            absent, present = table.take(0, axis), table.take(1, axis)
            np.testing.assert_allclose(present[..., 1:], (absent * factors)[..., 1:], rtol=1e-12)
    assert raised


@pytest.mark.parametrize("name", NAMES)
def test_one_chewed_wire_makes_the_next_likelier(name: str) -> None:
    """Two parts raised by one cause alone; the file's numbers say by how much:
    P(a, b) / (P(a) P(b)) = sum_c P(c) P(a | c) P(b | c) / (P(a) P(b))."""
    known = shipped(name)
    number = {fault: f for f, fault in enumerate(known.faults)}
    every_raise = [r for c in known.machine.shared_causes.values() for r in c.raises]

    def lift_of(one: Raise, p: float, *, there: bool) -> float:
        return (one.factor if there else 1.0) / (1.0 + p * (one.factor - 1.0))

    compared = 0
    for cause in known.machine.shared_causes.values():
        alone = [r for r in cause.raises if sum(r.part == q.part for q in every_raise) == 1]
        if cause.part is not None or len({r.part for r in alone}) < 2:
            continue
        one, other = alone[0], next(r for r in alone if r.part != alone[0].part)
        p = cause_chance(known.machine, cause)
        wanted = (1.0 - p) * lift_of(one, p, there=False) * lift_of(other, p, there=False)
        wanted += p * lift_of(one, p, there=True) * lift_of(other, p, there=True)
        a, b = number[one.part, one.modes[0]], number[other.part, other.modes[0]]
        # Of sets with both, one and none of them, everything else alike, the odds ratio is left.
        sets = padded([(), (a,), (b,), tuple(sorted((a, b)))], len(known.faults))
        neither, only_a, only_b, both = known.sets.priors.joint(sets).sum(axis=1)
        assert (both * neither > only_a * only_b) == (wanted > 1.0)
        compared += 1
    assert compared


def test_unlisted_faults_are_the_files_and_know_no_cause() -> None:
    priors, behaviour = lift().sets.priors, lift().behaviour
    odds = priors.odds[behaviour.n_listed : -1]
    # 20 of 1 000 as for the machine, 30 for the complaint that has a figure of its own
    chance = SHARE * np.array([[20.0], [30.0]]) / 1000.0
    wanted = np.broadcast_to(chance / (1.0 - chance.sum()), odds.shape)
    np.testing.assert_allclose(odds, wanted, rtol=1e-12)
    assert behaviour.faults[behaviour.n_listed :] == (
        ("unlisted", "no_lift"),
        ("unlisted", "slow_lift"),
    )


def test_a_new_part_is_bad_by_the_shops_share_in_its_own_modes() -> None:
    machine = lift().machine
    relay = machine.parts["relay"]
    modes = new_part_modes(machine, relay, relay.repairs[0])
    assert modes == pytest.approx(
        {("relay", "coil_open"): 0.03 * 12 / 23, ("relay", "contacts_resistive"): 0.03 * 11 / 23}
    )
    ground = machine.parts["ground"]
    assert new_part_modes(machine, ground, ground.repairs[0]) == {}


def raising(factor: float) -> dict[str, object]:
    """The causes of the lift, the nest with a factor of its own on the fuse."""
    causes = lift().machine.shared_causes
    nest = replace(causes["nest"], per_1000_jobs=0.001, raises=(Raise("fuse", ("open",), factor),))
    return {**causes, "nest": nest}


def test_factors_that_add_up_to_more_than_certainty_are_refused() -> None:
    machine = replace(lift().machine, shared_causes=raising(1e6))
    with pytest.raises(NetworkError, match=re.escape("fuse: with its shared causes")):
        make_priors(make_behaviour(machine))


def test_parts_that_raise_each_other_are_refused() -> None:
    causes = lift().machine.shared_causes
    back = replace(
        causes["not_charging"],
        id="flat",
        part="battery",
        modes=("flat",),
        raises=(Raise("charger", ("no_output",), 2.0),),
    )
    machine = replace(lift().machine, shared_causes={**causes, "flat": back})
    with pytest.raises(NetworkError, match="circle: battery, charger"):
        make_priors(make_behaviour(machine))


def test_more_causes_than_can_be_summed_over_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_CAUSES", 2)
    with pytest.raises(NetworkError, match="3 shared causes; expected at most 2"):
        make_priors(lift().behaviour)


def test_a_part_that_a_cause_breaks_for_certain_keeps_its_odds_finite() -> None:
    """P(open | nest) = f P(open) / (1 + p (f - 1)) comes within 2e-14 of 1 for p = P(open)."""
    nest = replace(
        lift().machine.shared_causes["nest"],
        per_1000_jobs=55.0,
        raises=(Raise("fuse", ("open",), 1e15),),
    )
    causes = {**lift().machine.shared_causes, "nest": nest}
    priors = make_priors(make_behaviour(replace(lift().machine, shared_causes=causes)))
    assert priors.odds.max() > 1e11
    assert np.isfinite(priors.odds).all()
    whole = priors.joint(padded(every().sets, len(lift().faults)))
    assert whole.sum() == pytest.approx(1.0, abs=1e-9)
