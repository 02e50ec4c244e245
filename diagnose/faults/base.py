"""The base of a machine's solved fault sets: worked out once, kept on disk, found again by content.

No fault, every single one and the pairs that matter: all of them where they are few, else those
with the largest priors, up to `MOST_PAIRS`.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from diagnose.faults.chances import Chances, GrowingChances, make_columns, with_other_slips
from diagnose.faults.manners import N_MANNERS, any_loose
from diagnose.faults.numbering import different, rounded
from diagnose.faults.priors import padded
from diagnose.faults.solved import Solved, SolvedSets
from diagnose.stop import go_on

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from diagnose.faults.behaviour import Behaviour, FaultSet
    from diagnose.faults.priors import Priors
    from diagnose.machine.model import Machine

    Progress = Callable[[int, int], None]

MOST_PAIRS = 16_000
"""Pairs of faults that a base holds at most."""

MOST_WORK = 5e7
"""Work that solving a base may take, see `Behaviour.work`: some ten seconds. Every single fault is
solved in any case."""

KINDS = {
    "members": np.int32,
    "prior": np.float64,
    "place": np.uint16,
    "values": np.float64,
    "counts": np.int64,
    "chances": np.float64,
    "noise": np.float64,
    "near": np.float64,
    "numbers": np.int32,
    "which": np.int32,
}
"""Arrays of a packed base and what they are made of."""

WIDTH = 2
"""Faults of the largest sets of a base."""

BLOCK = 1024
"""Fault sets solved between two reports of progress."""


def base_sets(behaviour: Behaviour, priors: Priors) -> list[FaultSet]:
    """The sets of a machine's base, the smallest first."""
    n, part = len(behaviour.faults), behaviour.part_of
    first, second = np.triu_indices(n, 1)
    apart = part[first] != part[second]
    pairs = np.stack([first[apart], second[apart]], axis=1)
    most = int(np.clip(MOST_WORK / behaviour.work - n - 1, 0, MOST_PAIRS))
    if len(pairs) > most:
        weight = np.concatenate(
            [
                priors.joint(block).sum(axis=1)
                for block in np.array_split(pairs, len(pairs) // 4096 + 1)
            ]
        )
        pairs = pairs[np.sort(np.argsort(-weight, kind="stable")[:most])]
    return [(), *((f,) for f in range(n)), *map(tuple, pairs.tolist())]


def solve_base(behaviour: Behaviour, priors: Priors, progress: Progress | None = None) -> Solved:
    """Solve the base of a machine.

    Args:
        behaviour: the machine.
        priors: its priors.
        progress: called with the sets solved and the sets in all.
    """
    sets = base_sets(behaviour, priors)
    blocks = []
    for start in range(0, len(sets), BLOCK):
        go_on()
        blocks.append(rounded(behaviour.readings(sets[start : start + BLOCK])))
        if progress is not None:
            progress(min(start + BLOCK, len(sets)), len(sets))
    values, place = different(np.concatenate(blocks))
    members = padded(sets, len(behaviour.faults))
    prior = priors.joint(members).sum(axis=1)
    loose = behaviour.loose
    growing = GrowingChances(make_columns(behaviour, priors))
    chances = growing.append(values, place, any_loose(loose, members))
    return _solved(members, prior, place, values, chances, loose)


def _solved(
    members: NDArray[np.int64],
    prior: NDArray[np.float64],
    place: NDArray[np.uint16],
    values: tuple[NDArray[np.float64], ...],
    chances: Chances,
    loose: NDArray[np.bool_],
) -> Solved:
    none = int(members[0, 0])
    pair_row = np.full((none + 1, none + 1), -1, dtype=np.int32)
    both = np.concatenate([members, np.full((len(members), 2), none)], axis=1)[:, :2]
    rows = np.arange(len(members), dtype=np.int32)
    pair_row[both[:, 0], both[:, 1]] = pair_row[both[:, 1], both[:, 0]] = rows
    single = both[:, 1] == none
    pair_row[both[single, 0], both[single, 0]] = rows[single]
    return Solved(members, prior, place, values, pair_row, {}, len(members), none, chances, loose)


def make_solved_sets(behaviour: Behaviour, priors: Priors, base: Solved) -> SolvedSets:
    """The growing table on a base."""
    return SolvedSets(behaviour, priors, make_columns(behaviour, priors), base, base)


def pack(base: Solved) -> dict[str, NDArray[Any]]:
    """A base as plain arrays."""
    return {
        "members": base.members.astype(np.int32),
        "prior": base.prior,
        "place": base.place.T,
        "values": np.concatenate(base.values),
        "counts": np.array([len(values) for values in base.values], dtype=np.int64),
        "chances": base.chances.rows,
        "noise": base.chances.noise,
        "near": base.chances.near,
        "numbers": np.concatenate(
            [np.zeros((N_MANNERS, 0), dtype=np.int32), *base.chances.numbers], axis=1
        ),
        "which": base.chances.which,
    }


def unpack(arrays: Mapping[str, NDArray[Any]], behaviour: Behaviour, priors: Priors) -> Solved:
    """The inverse of `pack`.

    Raises:
        KeyError, ValueError: arrays that are missing, or of another machine.
    """
    if not _fits(arrays, behaviour, priors):
        raise ValueError("these arrays are not the fault sets of this machine")
    counts, place = arrays["counts"], arrays["place"].T
    read = _readings_read(behaviour, priors, counts)
    chances = Chances(
        rows=arrays["chances"],
        noise=arrays["noise"],
        near=arrays["near"],
        numbers=tuple(np.split(arrays["numbers"], np.cumsum(read)[:-1], axis=1)),
        which=arrays["which"],
    )
    split = np.split(arrays["values"], np.cumsum(counts)[:-1])
    values = tuple(np.ascontiguousarray(part) for part in split)
    members = arrays["members"].astype(np.int64)
    return _solved(members, arrays["prior"], place, values, chances, behaviour.loose)


def with_priors(base: Solved, behaviour: Behaviour, priors: Priors, before: Machine) -> Solved:
    """A base under other priors: what is read under each set does not depend on them.

    Pairs that matter only now are solved when a job asks for them.

    Args:
        base: the base of the same circuit.
        behaviour: the machine with its new priors.
        priors: the new priors.
        before: the machine as the base has it.
    """
    base = replace(base, prior=priors.joint(base.members).sum(axis=1))
    slips = [test.slip_percent for test in before.tests.values()]
    if slips == [test.slip_percent for test in behaviour.machine.tests.values()]:
        return base
    columns = make_columns(behaviour, priors)
    if max(slips) < 100.0:
        return replace(base, chances=with_other_slips(base.chances, columns, slips))
    growing = GrowingChances(columns)
    return replace(
        base, chances=growing.append(base.values, base.place, any_loose(base.loose, base.members))
    )


def _readings_read(
    behaviour: Behaviour, priors: Priors, counts: NDArray[np.int64]
) -> NDArray[np.int64]:
    """(tests,) different readings of the observable that each test reads."""
    column = make_columns(behaviour, priors).column
    return np.where(column < 0, 0, counts[column])


def _fits(arrays: Mapping[str, NDArray[Any]], behaviour: Behaviour, priors: Priors) -> bool:
    """Whether a base holds no fault, every single one and whole numbers of readings.

    Compiled code follows these numbers unchecked, so none may point outside its table.
    """
    if any(arrays[name].dtype != kind for name, kind in KINDS.items()):
        return False
    members, prior, none = arrays["members"], arrays["prior"], len(behaviour.faults)
    counts, place, values = arrays["counts"], arrays["place"].T, arrays["values"]
    chances, which = arrays["chances"], arrays["which"]
    tests = make_columns(behaviour, priors)
    return bool(
        members.ndim == place.ndim == which.ndim == 2
        and counts.ndim == prior.ndim == 1
        and 1 <= members.shape[1] <= WIDTH
        and ((counts > 0) & (counts <= len(values))).all()
        and chances.shape[1:] == tests.by_cause.shape[2:]
        and np.isfinite(prior).all()
        and len(counts) == place.shape[1] == len(behaviour.names)
        and len(members) == len(place) == len(prior) > none
        and values.shape == (counts.sum(), 2)
        and np.isfinite(values).all()
        and (prior >= 0.0).all()
        and members.min() >= 0
        and members[0].min() == members.max() == none
        and (members[1 : none + 1, 0] == np.arange(none)).all()
        and (members[1 : none + 1, 1:] == none).all()
        and place.min() >= 0
        and (place < counts).all()
        and (members[none + 1 :, 0] < members[none + 1 :, -1]).all()
        and (members[none + 1 :] < none).all()
        and arrays["noise"].shape == arrays["near"].shape == chances.shape[:1]
        and np.isfinite([arrays["noise"], arrays["near"]]).all()
        and ((chances >= 0.0) & (chances <= 1.0)).all()
        and arrays["numbers"].shape == (N_MANNERS, _readings_read(behaviour, priors, counts).sum())
        and which.shape == (len(members), len(tests.tests))
        and min(which.min(), arrays["numbers"].min()) >= 0
        and max(which.max(), arrays["numbers"].max()) < len(chances)
    )
