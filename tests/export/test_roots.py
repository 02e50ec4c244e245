"""Roots of the exported network: priors, shared causes, the unlisted fault, and complaints."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from diagnose.errors import NetworkError
from diagnose.export.roots import root_families
from diagnose.faults.priors import cause_chance
from diagnose.faults.words import SHARE_OF_MACHINES, UNLISTED, YES
from diagnose.machine.model import Raise
from tests.export import machines

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.inference.families import Network

pytestmark = pytest.mark.parametrize("name", machines.NAMES)


def test_priors_are_the_files(name):
    """Whatever causes there are, a mode's prior is its `per_1000_jobs`, scaled to machines."""
    beliefs = machines.compiled(name).posterior()
    for part in machines.machine(name).parts.values():
        for mode in part.modes.values():
            if mode.id != "ok":
                written = SHARE_OF_MACHINES * mode.per_1000_jobs / 1000.0
                assert beliefs[part.id][mode.id] == pytest.approx(written, rel=1e-9)


def test_one_chewed_wire_makes_the_next_likelier(name):
    """Two parts raised by one cause are positively correlated; the file's numbers say by how much:
    P(a, b) / (P(a) P(b)) = sum_c P(c) P(a | c) P(b | c) / (P(a) P(b))."""
    machine, compiled = machines.machine(name), machines.compiled(name)
    for cause in machine.shared_causes.values():
        alone = [r for r in cause.raises if has_one_cause(machine, r.part) and r.factor > 1.0]
        if cause.part is not None or len({r.part for r in alone}) < 2:
            continue
        first = alone[0]
        second = next(r for r in alone if r.part != first.part)
        p = cause_chance(machine, cause)
        expected = sum(
            weight * lift(first, p, there) * lift(second, p, there)
            for there, weight in ((0, 1.0 - p), (1, p))
        )
        before = compiled.posterior()[second.part][second.modes[0]]
        after = compiled.posterior({first.part: first.modes[0]})[second.part][second.modes[0]]
        assert after / before == pytest.approx(expected, rel=1e-9)
        assert after > before


def has_one_cause(machine, part):
    return sum(r.part == part for c in machine.shared_causes.values() for r in c.raises) == 1


def lift(raised, p, there):
    """P(mode | cause there or not) / P(mode)."""
    return (raised.factor if there else 1.0) / (1.0 + p * (raised.factor - 1.0))


def test_a_part_as_a_cause_is_a_function_of_the_part(name):
    machine = machines.machine(name)
    families = {family.node: family for family in root_families(machine)}
    for cause in machine.shared_causes.values():
        family = families[cause.id]
        if cause.part is None:
            assert family.parents == ()
            continue
        assert family.parents == (cause.part,)
        modes = families[cause.part].states
        present = [mode for mode, row in zip(modes, family.table, strict=True) if row[1] == 1.0]
        assert sorted(present) == sorted(cause.modes)


def test_factors_that_add_up_to_more_than_certainty_are_refused(name):
    machine = machines.machine(name)
    cause = next(c for c in machine.shared_causes.values() if c.part is None)
    part = machine.parts[cause.raises[0].part]
    modes = tuple(mode for mode in part.modes if mode != "ok")
    wild = replace(cause, per_1000_jobs=0.001, raises=(Raise(part.id, modes, 1e6),))
    causes = {**machine.shared_causes, cause.id: wild}
    with pytest.raises(NetworkError, match=part.id):
        list(root_families(replace(machine, shared_causes=causes)))


def test_parts_that_raise_each_other_are_refused(name):
    machine = machines.machine(name)
    cause = next(c for c in machine.shared_causes.values() if c.part is None)
    first, second = list(machine.parts.values())[:2]
    causes = {
        own.id: replace(
            cause,
            id=f"{own.id}_gone",
            part=own.id,
            modes=tuple(own.modes)[1:2],
            raises=(Raise(other.id, tuple(other.modes)[1:2], 2.0),),
        )
        for own, other in ((first, second), (second, first))
    }
    causes = {made.id: made for made in causes.values()}
    with pytest.raises(NetworkError, match="circle"):
        list(root_families(replace(machine, shared_causes=causes)))


def test_unlisted_fault(name):
    """One state for each complaint, each with the prior of the file; no shared cause."""
    machine = machines.machine(name)
    family = list(root_families(machine))[-1]
    assert family.node == UNLISTED
    assert family.parents == ()
    assert family.states == ("ok", *machine.complaints)
    for complaint, chance in zip(machine.complaints.values(), family.table[1:], strict=True):
        own = complaint.unlisted_per_1000
        rate = machine.unlisted_per_1000 if own is None else own
        assert chance == pytest.approx(SHARE_OF_MACHINES * rate / 1000.0)


def read_below(network: Network, given: Mapping[str, str]) -> dict[str, dict[str, float]]:
    """Node -> chance of each of its states, of every node that hangs on nothing but `given`."""
    at: dict[str, int] = {}
    found: dict[str, dict[str, float]] = {}
    for family in (network.families[number] for number in network.topological_order):
        if family.node in given:
            at[family.node] = family.states.index(given[family.node])
        elif family.parents and all(parent in at for parent in family.parents):
            row = family.table[tuple(at[parent] for parent in family.parents)]
            found[family.node] = dict(zip(family.states, row.tolist(), strict=True))
            if row.max() == 1.0:
                at[family.node] = int(row.argmax())
    return found


def test_unlisted_fault_explains_its_complaint_while_the_meter_reads_normal(name):
    """Pairs of other faults may share a cell of a table, hence the tolerance."""
    machine, network = machines.machine(name), machines.finer(name)
    good = dict.fromkeys(machine.parts, "ok")
    normal = read_below(network, {**good, UNLISTED: "ok"})
    for complaint in machine.complaints:
        shown = read_below(network, {**good, UNLISTED: complaint})
        right = machine.complaints[complaint].words_fit_percent / 100.0
        assert shown[complaint][YES] == pytest.approx(right, abs=0.03)
        for test in machine.tests.values():
            needs = machine.conditions[test.condition].needs if test.condition else {}
            if test.unit is not None and not needs:  # an engine that does not run reads nothing
                met, expected = shown[test.id], normal[test.id]
                assert max(met, key=met.__getitem__) == max(expected, key=expected.__getitem__)
                assert met == pytest.approx(expected, abs=0.1)


def test_complaints_stay_between_no_reason_and_the_right_words(name):
    # 1 in 1 000 of machines that work; the share of right words is the file's.
    network = machines.network(name)
    for complaint in machines.machine(name).complaints.values():
        right = complaint.words_fit_percent / 100.0
        table = network.families[network.index[complaint.id]].table
        assert table[..., 0].min() >= 0.001 - 1e-12
        assert table[..., 0].max() <= right + 1e-12
        assert table[..., 0].max() > 0.8 * right
