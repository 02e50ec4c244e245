"""The decision problems of a machine, one for each complaint."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.minutes import access_minutes, price_minutes
from diagnose.advice.repair_cost import list_repairs
from diagnose.circuit.wiring import make_sites
from diagnose.decision.fault_sets import N_TRIPLES, make_fault_space
from diagnose.decision.problem import DecisionProblem, RepairTable, TestTable, make_tables
from diagnose.network.outcomes import cause_chances, complaint_chances, outcome_chances
from diagnose.network.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.decision.fault_sets import FaultSpace
    from diagnose.decision.problem import Floats, Ints
    from diagnose.machine.model import Machine, Test
    from diagnose.network.behaviour import Behaviour

CHECK_SLIPS = 0.005
"""Chance that the functional check is taken for what it was not. Estimate."""

NEW_PART = "replace"
"""Id of a repair that fits a new part, which may be bad itself."""


@dataclass(frozen=True, slots=True, eq=False)
class MachineProblems:
    """A machine's decision problems.

    Attributes:
        space: its fault sets.
        problems: by complaint.
        chances: by complaint, the probability that a job has it, of all jobs that have one.
    """

    space: FaultSpace
    problems: Mapping[str, DecisionProblem]
    chances: Mapping[str, float]


def make_problems(behaviour: Behaviour, n_triples: int = N_TRIPLES) -> MachineProblems:
    """All decision problems of a machine.

    A job begins with the complaint reported and seen: the prior of a fault set is its own, times
    the chance that it is reported so, times the chance that it shows.
    """
    machine = behaviour.machine
    space = make_fault_space(behaviour, n_triples)
    tests = [_test_chances(behaviour, space, test) for test in machine.tests.values()]
    repairs = _repair_table(behaviour, space)
    faults_of = np.full((len(space.sets), max(len(one) for one in space.sets)), -1, np.int32)
    for row, one in enumerate(space.sets):
        faults_of[row, : len(one)] = one
    joint = {}
    problems = {}
    shared = None
    for complaint in machine.complaints:
        values = space.readings[:, behaviour.column[complaint]]
        fits = 1.0 - values.mean(axis=-1)
        same = CHECK_SLIPS + (1.0 - 2.0 * CHECK_SLIPS) * fits
        weight = space.prior * complaint_chances(values)[:, 0] * fits
        joint[complaint] = float(weight.sum())
        explains = fits[1 : 1 + len(behaviour.faults)]
        if shared is None:
            minutes, parents = _areas(machine)
            shared = make_tables(
                tests, faults_of, explains, repairs, minutes, parents, machine.shop.check_minutes
            )
        problems[complaint] = DecisionProblem(
            machine=machine.id,
            complaint=complaint,
            faults=behaviour.faults,
            part_of=behaviour.part_of.astype(np.int32),
            prior=weight / weight.sum(),
            same=same,
            tests=_test_table(machine),
            repairs=repairs,
            tables=shared._replace(explains=np.ascontiguousarray(explains)),
            area_names=tuple(machine.areas),
            area_minutes=_areas(machine)[0],
            area_parent=_areas(machine)[1],
            check_minutes=machine.shop.check_minutes,
            escalate_minutes=machine.shop.escalate_minutes,
        )
    total = sum(joint.values())
    return MachineProblems(space, problems, {name: one / total for name, one in joint.items()})


def _test_chances(behaviour: Behaviour, space: FaultSpace, test: Test) -> Floats:
    """(sets, outcomes) P(outcome | fault set)."""
    if test.cause is not None:
        there = space.causes[test.cause][:, None]
        absent, present = cause_chances(test)
        found: Floats = (1.0 - there) * absent + there * present
        return found
    own = test.id in behaviour.column
    column = behaviour.column[test.id if own else str(test.function)]
    values, place = np.unique(space.readings[:, column], axis=0, return_inverse=True)
    chances: Floats = outcome_chances(test, values)[place.ravel()]
    return chances


def _areas(machine: Machine) -> tuple[Floats, Ints]:
    number = {area: i for i, area in enumerate(machine.areas)}
    minutes = np.array([access_minutes(area) for area in machine.areas.values()], dtype=np.float64)
    parents = [-1 if a.inside is None else number[a.inside] for a in machine.areas.values()]
    return minutes, np.array(parents, dtype=np.int32)


def _area_number(machine: Machine, area: str | None) -> int:
    return -1 if area is None else list(machine.areas).index(area)


def _test_table(machine: Machine) -> TestTable:
    names = tuple(machine.tests)
    tests = list(machine.tests.values())
    return TestTable(
        names=names,
        minutes=np.array([test.minutes for test in tests], dtype=np.float64),
        area=np.array([_area_number(machine, test.area) for test in tests], dtype=np.int32),
        needs=tuple(sum(1 << names.index(one) for one in test.needs) for test in tests),
        again=np.array([test.cause is None for test in tests], dtype=bool),
        slip=np.array([test.slip_percent / 100.0 for test in tests], dtype=np.float64),
        order=_source_to_load(machine),
    )


def _source_to_load(machine: Machine) -> tuple[int, ...]:
    """What can be seen and heard from the seat, then what is measured, battery first.

    A measurement between two nets counts where the farther one lies. Looking at parts, moving
    joints and measuring parts by themselves are left out: along the wiring one follows the volts.
    Common practice, no source.
    """
    tree = make_sites(machine)
    seen, measured = [], []
    for number, test in enumerate(machine.tests.values()):
        if test.kind in {"look", "listen"} and test.function is not None:
            seen.append(number)
        elif test.kind == "load_test":
            measured.append((0, 0, number))
        elif test.kind in {"volts", "lamp", "drop"} and test.probes is not None:
            sites = [tree.site_of_net[net] for net in test.probes if net in tree.site_of_net]
            depth = max((len(tree.path(site)) for site in sites), default=1)
            measured.append((depth, max(sites, default=0), number))
    return (*seen, *(number for _, _, number in sorted(measured)))


def _repair_table(behaviour: Behaviour, space: FaultSpace) -> RepairTable:
    machine = behaviour.machine
    listed = list_repairs(machine, behaviour.faults)
    part_number = {part: i for i, part in enumerate(machine.parts)}
    after = np.empty((len(listed.repairs), len(space.sets)), dtype=np.int32)
    bad = np.zeros((len(listed.repairs), len(behaviour.faults)))
    for row, (part, repair) in enumerate(listed.repairs):
        fixed = {int(f) for f in np.flatnonzero(listed.fixes[row])}
        after[row] = [
            h if fixed.isdisjoint(one) else space.index[tuple(f for f in one if f not in fixed)]
            for h, one in enumerate(space.sets)
        ]
        own = behaviour.part_of == part_number[part]
        if repair.id == NEW_PART and behaviour.priors[own].sum() > 0.0:
            share = np.where(own, behaviour.priors, 0.0)
            bad[row] = machine.shop.new_part_bad_per_1000 / 1000.0 * share / share.sum()
    minutes = [r.minutes + price_minutes(machine, r.price_eur) for _, r in listed.repairs]
    areas = [_area_number(machine, machine.parts[part].area) for part, _ in listed.repairs]
    return RepairTable(
        names=tuple(f"{part}.{repair.id}" for part, repair in listed.repairs),
        minutes=np.array(minutes, dtype=np.float64),
        area=np.array(areas, dtype=np.int32),
        fixes=listed.fixes,
        part=np.array([part_number[part] for part, _ in listed.repairs], dtype=np.int32),
        new_part=np.array([repair.id == NEW_PART for _, repair in listed.repairs], dtype=bool),
        after=after,
        bad=bad,
        joined=_joined(behaviour, space),
    )


def _joined(behaviour: Behaviour, space: FaultSpace) -> Ints:
    """(sets, faults) the set with one fault more.

    -1 where the part is faulty already, and where no such set is among the hypotheses: with two
    other faults left a new part is taken to be good.
    """
    part = behaviour.part_of
    found = np.full((len(space.sets), len(behaviour.faults)), -1, dtype=np.int32)
    listed = [f for f, (name, _) in enumerate(behaviour.faults) if name != UNLISTED]
    for h, one in enumerate(space.sets):
        if len(one) >= 2:
            continue
        taken = {int(part[f]) for f in one}
        for f in listed:
            if int(part[f]) not in taken:
                found[h, f] = space.index[tuple(sorted((*one, f)))]
    for triple in space.sets:
        if len(triple) == 3:
            for f in triple:
                found[space.index[tuple(g for g in triple if g != f)], f] = space.index[triple]
    return found
