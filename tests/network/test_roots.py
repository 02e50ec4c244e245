"""Roots of the network: priors, shared causes, the unlisted fault, and what complaints hang on."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from diagnose.errors import NetworkError
from diagnose.machine.model import Raise
from diagnose.faults.outcomes import COMPLAINT_FITS, COMPLAINT_SLIPS, complaint_chances
from diagnose.faults.priors import cause_chance, part_family, root_families
from diagnose.faults.words import NO, SHARE_OF_MACHINES, UNLISTED, YES
from tests import shipped
from tests.network.fault_sets import Roots

pytestmark = pytest.mark.parametrize("name", shipped.NAMES)


def chance_of(machine, cause):
    return cause_chance(machine, machine.shared_causes[cause])


def marginal(machine, part):
    """(modes,) prior of a part's modes, its causes summed out by hand (they are independent)."""
    family = part_family(machine, part)
    total = np.zeros(len(part.modes))
    for index in product((0, 1), repeat=len(family.parents)):
        weight = 1.0
        for cause, present in zip(family.parents, index, strict=True):
            p = chance_of(machine, cause)
            weight *= p if present else 1.0 - p
        total += weight * family.table[index]
    return total


def test_marginal_priors_are_the_files(name):
    """Whatever causes there are, a mode's prior is its `per_1000_jobs`, scaled to machines."""
    machine = shipped.behaviour(name).machine
    for part in machine.parts.values():
        written = np.array(
            [SHARE_OF_MACHINES * mode.per_1000_jobs / 1000.0 for mode in part.modes.values()]
        )
        written[0] = 1.0 - written[1:].sum()
        np.testing.assert_allclose(marginal(machine, part), written, rtol=1e-12)


def test_compiled_priors_are_the_files(name):
    """The same through the engine, where a part's failure may itself be a shared cause."""
    ready = shipped.ready(name)
    beliefs = ready.compiled.posterior({})
    for part in ready.machine.parts.values():
        for mode in part.modes.values():
            if mode.id != "ok":
                assert beliefs[part.id][mode.id] == pytest.approx(
                    SHARE_OF_MACHINES * mode.per_1000_jobs / 1000.0, rel=1e-9
                )


def test_a_cause_multiplies_the_modes_it_raises(name):
    """P(mode | present) / P(mode | absent) is the factor of the file, 1 for all other modes."""
    machine = shipped.behaviour(name).machine
    raised = 0
    for part in machine.parts.values():
        family = part_family(machine, part)
        for axis, cause in enumerate(family.parents):
            factors = np.ones(len(part.modes) - 1)
            for one in machine.shared_causes[cause].raises:
                if one.part == part.id:
                    for mode in one.modes:
                        factors[family.states.index(mode) - 1] = one.factor
                        raised += 1
            absent = family.table.take(0, axis)[..., 1:]
            present = family.table.take(1, axis)[..., 1:]
            np.testing.assert_allclose(present, absent * factors, rtol=1e-12)
    assert raised


def test_one_chewed_wire_makes_the_next_likelier(name):
    """Two parts raised by one cause are positively correlated; the file's numbers say by how much:
    P(a, b) / (P(a) P(b)) = sum_c P(c) P(a | c) P(b | c) / (P(a) P(b))."""
    machine = shipped.behaviour(name).machine
    compiled = shipped.ready(name).compiled
    for cause in machine.shared_causes.values():
        alone = [r for r in cause.raises if part_has_one_cause(machine, r.part) and r.factor > 1.0]
        if cause.part is not None or len({r.part for r in alone}) < 2:
            continue
        first = alone[0]
        second = next(r for r in alone if r.part != first.part)
        p = cause_chance(machine, cause)
        expected = sum(
            weight * lift(first, p, there) * lift(second, p, there)
            for there, weight in ((0, 1.0 - p), (1, p))
        )
        before = compiled.posterior({})[second.part][second.modes[0]]
        after = compiled.posterior({first.part: first.modes[0]})[second.part][second.modes[0]]
        assert after / before == pytest.approx(expected, rel=1e-9)
        assert after > before


def part_has_one_cause(machine, part):
    return sum(r.part == part for c in machine.shared_causes.values() for r in c.raises) == 1


def lift(one, p, there):
    """P(mode | cause there or not) / P(mode)."""
    return (one.factor if there else 1.0) / (1.0 + p * (one.factor - 1.0))


def test_a_part_as_a_cause_is_a_function_of_the_part(name):
    machine = shipped.behaviour(name).machine
    families = {family.node: family for family in root_families(machine)}
    for cause in machine.shared_causes.values():
        if cause.part is None:
            assert families[cause.id].parents == ()
            continue
        family = families[cause.id]
        assert family.parents == (cause.part,)
        modes = families[cause.part].states
        present = [mode for mode, row in zip(modes, family.table, strict=True) if row[1] == 1.0]
        assert sorted(present) == sorted(cause.modes)


def test_factors_that_add_up_to_more_than_certainty_are_refused(name):
    machine = shipped.behaviour(name).machine
    cause = next(c for c in machine.shared_causes.values() if c.part is None)
    part = machine.parts[cause.raises[0].part]
    modes = tuple(mode for mode in part.modes if mode != "ok")
    wild = replace(cause, per_1000_jobs=0.001, raises=(Raise(part.id, modes, 1e6),))
    causes = {**machine.shared_causes, cause.id: wild}
    with pytest.raises(NetworkError, match=part.id):
        part_family(replace(machine, shared_causes=causes), part)


def test_unlisted_fault(name):
    """One state for each complaint, each with the prior of the file; no shared cause."""
    machine = shipped.behaviour(name).machine
    family = list(root_families(machine))[-1]
    assert family.node == UNLISTED
    assert family.parents == ()
    assert family.states == ("ok", *machine.complaints)
    np.testing.assert_allclose(
        family.table[1:], SHARE_OF_MACHINES * machine.unlisted_per_1000 / 1000.0
    )


def test_unlisted_fault_explains_its_complaint_while_the_meter_reads_normal(name):
    """Rare pairs of other faults may share a cell of a table, hence the tolerance."""
    ready = shipped.ready(name)
    machine = ready.machine
    good = dict.fromkeys(machine.parts, "ok")
    normal = ready.compiled.posterior({**good, UNLISTED: "ok"})
    for complaint in machine.complaints:
        beliefs = ready.compiled.posterior({**good, UNLISTED: complaint})
        assert beliefs[complaint][YES] == pytest.approx(COMPLAINT_FITS, abs=0.02)
        for test in machine.tests.values():
            if test.unit is not None:
                one, other = beliefs.marginal(test.id), normal.marginal(test.id)
                assert one.argmax() == other.argmax()
                np.testing.assert_allclose(one, other, atol=0.15)


def test_complaints(name):
    """Made with probability 0.9 where the words fit and 0.01 where not, and half way between when
    a loose joint lets them fit half of the time."""
    values = np.array([[0.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    halfway = (COMPLAINT_FITS + COMPLAINT_SLIPS) / 2.0
    np.testing.assert_allclose(
        complaint_chances(values)[:, 0], [COMPLAINT_FITS, COMPLAINT_SLIPS, halfway]
    )
    network = shipped.built(name).network
    for complaint in shipped.behaviour(name).machine.complaints:
        family = network.families[network.index[complaint]]
        assert family.states == (YES, NO)
        slack = 1e-12
        assert family.table[..., 0].min() >= COMPLAINT_SLIPS - slack
        assert family.table[..., 0].max() <= COMPLAINT_FITS + slack


def test_drawing_from_the_roots_gives_the_priors(name):
    """The simulated jobs draw from these roots: frequencies within five standard errors."""
    behaviour = shipped.behaviour(name)
    roots = Roots(behaviour, shipped.built(name).network)
    n = 100_000
    _, states = roots.draw(n, np.random.default_rng(3))
    for place, part in enumerate(roots.parts):
        if part == UNLISTED:
            continue
        seen = np.bincount(states[:, place], minlength=len(roots.family(part).states)) / n
        modes = behaviour.machine.parts[part].modes.values()
        written = [SHARE_OF_MACHINES * mode.per_1000_jobs / 1000.0 for mode in modes]
        for share, prior in list(zip(seen, written, strict=True))[1:]:
            assert abs(share - prior) <= 5.0 * np.sqrt(prior / n) + 1e-9
