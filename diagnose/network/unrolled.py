"""One network over all that happened to a machine: the repairs, and what was found between them.

The states of the machine are fault sets over *lives* (`diagnose.network.lives`). Each epoch sees
the modes that the lives have in it, so what every instrument reads in every epoch under one life,
and under every pair of them, stands in the table of single faults and pairs already: nothing new
is solved but the rare larger sets. What was found before a repair is a test of its own, by the
name `before_<repair>_<test>`, that reads its column as it was then; in earlier epochs only what
was observed is kept, all else there being barren. From there on the network is found as always:
fault sets that no test, present or past, can tell apart share a state.

Faults weigh here what the findings before the last repair made of them, so that the states keep
apart what matters now.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from diagnose.circuit.wiring import make_sites
from diagnose.inference.families import Family, Network
from diagnose.network.build import DiagnosticNetwork, network_with
from diagnose.network.classes import BUDGET_AFTER_REPAIRS
from diagnose.network.leaves import complaint_leaf, make_leaves
from diagnose.network.lives import life_family, lives_of
from diagnose.network.priors import root_families
from diagnose.network.words import check_name, life_name, past_name

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    from diagnose.circuit.wiring import SiteTree
    from diagnose.machine.model import Machine
    from diagnose.network.behaviour import Behaviour, FaultSet
    from diagnose.network.leaves import Leaf
    from diagnose.network.lives import Life, PastRepair

Ints = NDArray[np.int64]

Weights = Mapping[tuple[str, str], float]

LEAST_LIFE = 1e-7
"""Lives that what was found before the last repair makes less likely than this are left out."""

Column = tuple[int, int]
"""Epoch, and column of the plain behaviour."""


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """What was done to a machine since the complaint.

    Attributes:
        complaint: id of the complaint.
        past: the repairs, the oldest first.
        lives: by repaired part.
    """

    complaint: str
    past: tuple[PastRepair, ...]
    lives: Mapping[str, tuple[Life, ...]]


def make_history(
    machine: Machine, complaint: str, past: Sequence[PastRepair], weights: Weights
) -> History:
    """The lives that the repairs make possible, without those that the findings rule out.

    Args:
        machine: the machine.
        complaint: id of the complaint.
        past: the repairs, the oldest first.
        weights: by part and mode, or life as it was before the last repair, how likely it was
            then; what is missing was ruled out.
    """
    repaired = dict.fromkeys(one.part for one in past)
    lives = {}
    for part in repaired:
        first, *others = lives_of(machine, machine.parts[part], past)
        weighty = [one for one in others if _weight(weights, part, one) > LEAST_LIFE]
        lives[part] = (first, *weighty)
    return History(complaint, tuple(past), lives)


def _weight(weights: Weights, part: str, life: Life) -> float:
    return weights.get((part, life.before), 0.0) * life.step


def unrolled_network(behaviour: Behaviour, history: History, weights: Weights) -> DiagnosticNetwork:
    """The network of a machine that was repaired.

    Args:
        behaviour: the machine's readings, with all pairs.
        history: the repairs.
        weights: as in `make_history`; decides what may share a state.

    Returns:
        Roots by the names `life_of_<part>` for the repaired parts, and for these a node
        `<part>` with the present mode; everything else by its usual name and as it is now.

    Raises:
        NetworkError: names that collide.
    """
    unrolled = unroll(behaviour, history, weights)
    roots = [_root(behaviour.machine, one, history) for one in root_families(behaviour.machine)]
    tree = make_sites(unrolled.machine)
    leaves = [*make_leaves(unrolled, tree), *_checks(unrolled, history, tree)]
    built = network_with(unrolled, roots, leaves, BUDGET_AFTER_REPAIRS)
    return _with_present_modes(behaviour.machine, built, history)


def unroll(behaviour: Behaviour, history: History, weights: Weights) -> Behaviour:
    """The behaviour over lives: every present column, and the past ones that were looked at.

    Args: as `unrolled_network`.
    """
    faults, modes = _life_faults(behaviour, history)
    columns = _columns(behaviour, history)
    n = len(faults)
    number = {part: int(behaviour.part_of[f]) for f, (part, _) in enumerate(behaviour.faults)}
    part_of = np.array([number[part] for part, _ in faults], dtype=np.int32)
    pairs = np.empty((n + 1, n + 1, len(columns), 2))
    for epoch, held, base in _by_epoch(columns.values()):
        old = modes[:, epoch]
        pairs[:, :, held] = behaviour.pairs[old[:, None, None], old[None, :, None], base]
    exclusive = part_of[:, None] == part_of[None, :]
    np.fill_diagonal(exclusive, val=False)
    pairs[:n, :n][exclusive] = np.nan
    return replace(
        behaviour,
        machine=_machine_with_past(behaviour.machine, history),
        faults=faults,
        part_of=part_of,
        priors=np.array([_fault_weight(history, weights, fault) for fault in faults]),
        names=tuple(columns),
        column={name: i for i, name in enumerate(columns)},
        pairs=pairs,
        read=partial(_read, behaviour, modes, tuple(columns.values())),
    )


def _fault_weight(history: History, weights: Weights, fault: tuple[str, str]) -> float:
    part, name = fault
    if part not in history.lives:
        return weights[fault]
    life = next(one for one in history.lives[part] if one.name == name)
    return _weight(weights, part, life)


def _life_faults(
    behaviour: Behaviour, history: History
) -> tuple[tuple[tuple[str, str], ...], Ints]:
    """The faults, lives among them, and (faults + 1, epochs) which plain fault each is when.

    The last row, and every epoch in which a life is `ok`, has the number that stands for none.
    """
    number = {fault: f for f, fault in enumerate(behaviour.faults)}
    none, epochs = len(behaviour.faults), len(history.past) + 1
    faults: list[tuple[str, str]] = []
    modes: list[list[int]] = []
    for part, mode in behaviour.faults:
        lives = history.lives.get(part)
        if lives is None:
            faults.append((part, mode))
            modes.append([number[part, mode]] * epochs)
        elif not any(known == part for known, _ in faults):
            faults += [(part, one.name) for one in lives[1:]]
            modes += [[number.get((part, m), none) for m in one.modes] for one in lives[1:]]
    return tuple(faults), np.array([*modes, [none] * epochs], dtype=np.int64)


def _columns(behaviour: Behaviour, history: History) -> dict[str, tuple[int, int]]:
    """Name -> (epoch, column of the plain behaviour): what is observed when."""
    column = behaviour.column
    present = len(history.past)
    found = {name: (present, column[name]) for name in behaviour.names}
    found[history.complaint] = (0, column[history.complaint])
    for epoch, done in enumerate(history.past):
        for test_id in done.tests:
            test = behaviour.machine.tests[test_id]
            if test.cause is None:
                own = test_id if test_id in column else str(test.function)
                found[past_name(epoch, test_id)] = (epoch, column[own])
        if done.checked:
            found[check_name(epoch + 1)] = (epoch + 1, column[history.complaint])
    return found


def _by_epoch(columns: Collection[Column]) -> Iterator[tuple[int, list[int], list[int]]]:
    """Epoch, places among the columns, columns of the plain behaviour."""
    for epoch in sorted({at for at, _ in columns}):
        held = [i for i, (at, _) in enumerate(columns) if at == epoch]
        yield epoch, held, [base for at, base in columns if at == epoch]


def _read(
    behaviour: Behaviour, modes: Ints, columns: tuple[Column, ...], fault_sets: Sequence[FaultSet]
) -> NDArray[np.float64]:
    """(cases, columns, 2) readings; see `Behaviour.readings`.

    Of a life that is `ok` nothing is left to solve, so most sets come out of the table of pairs.
    """
    none = len(behaviour.faults)
    epochs = range(modes.shape[1])
    then = [
        [tuple(sorted({int(modes[f, epoch]) for f in one} - {none})) for one in fault_sets]
        for epoch in epochs
    ]
    different = list(dict.fromkeys(one for sets in then for one in sets))
    row = {one: i for i, one in enumerate(different)}
    short = [i for i, one in enumerate(different) if len(one) <= 2]
    long = [i for i, one in enumerate(different) if len(one) > 2]
    read = np.empty((len(different), *behaviour.pairs.shape[2:]))
    pair = np.array([(*different[i], none, none)[:2] for i in short], np.int64).reshape(-1, 2)
    read[short] = behaviour.pairs[pair[:, 0], pair[:, 1]]
    if long:
        read[long] = behaviour.readings([different[i] for i in long])
    out = np.empty((len(fault_sets), len(columns), 2))
    for epoch, held, base in _by_epoch(columns):
        rows = np.array([row[one] for one in then[epoch]], np.int64)
        out[:, held] = read[rows[:, None], base]
    return out


def _machine_with_past(machine: Machine, history: History) -> Machine:
    """The machine with lives for modes, and the past findings as tests of their own."""
    parts = dict(machine.parts)
    for part_id, lives in history.lives.items():
        part = parts[part_id]
        modes = {one.name: replace(part.modes[one.modes[-1]], id=one.name) for one in lives}
        parts[part_id] = replace(part, modes=modes)
    tests = dict(machine.tests)
    for epoch, done in enumerate(history.past):
        for test in done.tests:
            name = past_name(epoch, test)
            tests[name] = replace(machine.tests[test], id=name)
    complaints = {history.complaint: machine.complaints[history.complaint]}
    return replace(machine, parts=parts, tests=tests, complaints=complaints)


def _checks(unrolled: Behaviour, history: History, tree: SiteTree) -> list[Leaf]:
    complaint = unrolled.machine.complaints[history.complaint]
    names = [check_name(epoch + 1) for epoch, one in enumerate(history.past) if one.checked]
    return [
        replace(
            complaint_leaf(unrolled, tree, complaint),
            name=name,
            check=True,
            column=unrolled.column[name],
        )
        for name in names
    ]


def _root(machine: Machine, family: Family, history: History) -> Family:
    """A root, over lives where its part was repaired."""
    if family.node in history.lives:
        return life_family(family, history.lives[family.node])
    cause = machine.shared_causes.get(family.node)
    if cause is None or cause.part is None or cause.part not in history.lives:
        return family
    modes = list(machine.parts[cause.part].modes)
    first = [modes.index(one.modes[0]) for one in history.lives[cause.part]]
    return Family.build(family.node, family.states, family.parents, family.table[first])


def _with_present_modes(
    machine: Machine, built: DiagnosticNetwork, history: History
) -> DiagnosticNetwork:
    """Repaired roots renamed to `life_of_<part>`; the part's name goes to its present mode."""
    new = {part: life_name(part) for part in history.lives}
    families = []
    for one in built.network.families:
        parents = [new.get(parent, parent) for parent in one.parents]
        families.append(Family.build(new.get(one.node, one.node), one.states, parents, one.table))
        if one.node in new:
            modes = list(machine.parts[one.node].modes)
            present = [modes.index(life.modes[-1]) for life in history.lives[one.node]]
            table = np.eye(len(modes))[present]
            families.append(Family.build(one.node, modes, (new[one.node],), table))
    stages = {new.get(node, node): stage for node, stage in built.stages.items()}
    stages |= {part: stages[life] for part, life in new.items() if life in stages}
    return DiagnosticNetwork(Network(tuple(families)), built.predictions, stages)
