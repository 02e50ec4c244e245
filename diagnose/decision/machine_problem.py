"""The decision problems of a machine, one for each complaint."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.advice.minutes import access_minutes, price_minutes
from diagnose.advice.repair_cost import list_repairs
from diagnose.circuit.wiring import make_sites
from diagnose.decision.problem import (
    DecisionProblem,
    RepairTable,
    TestTable,
    entropy_bits,
    make_tables,
)
from diagnose.network.lives import new_part_modes
from diagnose.network.outcomes import (
    cause_chances,
    check_chances,
    complaint_chances,
    outcome_chances,
)
from diagnose.network.words import NEW_PART, UNLISTED

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from diagnose.decision.fault_sets import FaultSpace
    from diagnose.decision.problem import Floats, Ints, Tables
    from diagnose.machine.model import Machine, Test
    from diagnose.network.behaviour import Behaviour


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


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """From one fault set to another.

    Attributes:
        after: (repairs, sets) the set without the faults that a repair fixes.
        joined: (sets, faults) the set with one fault more; see `RepairTable.joined`.
    """

    after: Ints
    joined: Ints


def problems_of(behaviour: Behaviour, space: FaultSpace, moves: Moves) -> MachineProblems:
    """The decision problems of a machine whose fault sets are known.

    A job begins with the complaint reported and seen: the prior of a fault set is its own, times
    the chance that it is reported so, times the chance that it shows.

    Args:
        behaviour: the machine; its readings of pairs are not needed.
        space: its fault sets.
        moves: how repairs lead from one to another.
    """
    machine = behaviour.machine
    repairs = _repair_table(behaviour, moves)
    faults_of = np.full((len(space.sets), max(len(one) for one in space.sets)), -1, np.int32)
    for row, one in enumerate(space.sets):
        faults_of[row, : len(one)] = one
    joint = {}
    problems = {}
    shared = _tables(behaviour, space, repairs, faults_of)
    for complaint in machine.complaints:
        values = space.readings(behaviour.column[complaint])
        fits = 1.0 - values.mean(axis=-1)
        weight = space.prior * complaint_chances(values)[:, 0] * fits
        joint[complaint] = float(weight.sum())
        explains = (fits[1 : 1 + len(behaviour.faults)] > 0.0).astype(np.float64)
        problems[complaint] = DecisionProblem(
            machine=machine.id,
            complaint=complaint,
            faults=behaviour.faults,
            part_of=behaviour.part_of.astype(np.int32),
            prior=weight / weight.sum(),
            same=check_chances(values)[:, 0],
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


def _tables(
    behaviour: Behaviour, space: FaultSpace, repairs: RepairTable, faults_of: Ints
) -> Tables:
    """What the kernels read, but for what depends on the complaint."""
    machine = behaviour.machine
    chances, noise = [], np.empty((len(space.sets), len(machine.tests)))
    for number, test in enumerate(machine.tests.values()):
        rows, place = _test_chances(behaviour, space, test)
        chances.append(rows[place])
        noise[:, number] = entropy_bits(rows)[place]
    none = np.zeros(len(behaviour.faults))
    minutes, parents = _areas(machine)
    check = machine.shop.check_minutes
    spare = machine.shop.good_part_minutes
    return make_tables(chances, faults_of, none, repairs, minutes, parents, check, noise, spare)


def _test_chances(
    behaviour: Behaviour, space: FaultSpace, test: Test
) -> tuple[Floats, NDArray[np.integer]]:
    """(rows, outcomes) different P(outcome | fault set), and (sets,) which row each set has."""
    if test.cause is not None:
        there = space.causes[test.cause][:, None]
        absent, present = cause_chances(test)
        return (1.0 - there) * absent + there * present, np.arange(len(there))
    column = column_of(behaviour, test)
    return outcome_chances(test, space.values[column]), space.place[:, column]


def column_of(behaviour: Behaviour, test: Test) -> int:
    """The observable that a test reads: its own, or the function it looks at."""
    return behaviour.column[test.id if test.id in behaviour.column else str(test.function)]


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


def _repair_table(behaviour: Behaviour, moves: Moves) -> RepairTable:
    machine = behaviour.machine
    listed = list_repairs(machine, behaviour.faults)
    part_number = {part: i for i, part in enumerate(machine.parts)}
    bad = np.zeros((len(listed.repairs), len(behaviour.faults)))
    for row, (part, repair) in enumerate(listed.repairs):
        fitted = new_part_modes(machine, machine.parts[part], repair)
        bad[row] = [fitted.get(m, 0.0) if p == part else 0.0 for p, m in behaviour.faults]
    minutes = [r.minutes + price_minutes(machine, r.price_eur) for _, r in listed.repairs]
    areas = [_area_number(machine, machine.parts[part].area) for part, _ in listed.repairs]
    return RepairTable(
        names=tuple(f"{part}.{repair.id}" for part, repair in listed.repairs),
        minutes=np.array(minutes, dtype=np.float64),
        area=np.array(areas, dtype=np.int32),
        fixes=listed.fixes,
        part=np.array([part_number[part] for part, _ in listed.repairs], dtype=np.int32),
        new_part=np.array([repair.id == NEW_PART for _, repair in listed.repairs], dtype=bool),
        after=moves.after,
        bad=bad,
        joined=moves.joined,
    )


def make_moves(behaviour: Behaviour, space: FaultSpace) -> Moves:
    """How repairs and bad new parts lead from one fault set to another."""
    fixes = list_repairs(behaviour.machine, behaviour.faults).fixes
    after = np.empty((len(fixes), len(space.sets)), dtype=np.int32)
    for row, fixed in enumerate(set(np.flatnonzero(one).tolist()) for one in fixes):
        after[row] = [
            h if fixed.isdisjoint(one) else space.index[tuple(f for f in one if f not in fixed)]
            for h, one in enumerate(space.sets)
        ]
    return Moves(after, _joined(behaviour, space))


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
