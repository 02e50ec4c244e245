"""How likely each fault set is before anybody complained.

With a shared cause present, the chances of the modes it raises are multiplied by its factors; the
chances without it are lowered so that the marginal prior stays what the machine file says:
`P(mode | causes) = base * prod(factor of each cause present)`, with
`base = marginal / prod_c (1 + P(c) (factor_c - 1))`.

Given the causes, parts fail independently of each other. So the prior of a set of faults is

    P(S) = sum_c P(c) prod_parts P(ok | c) prod_{f in S} P(f | c) / P(ok of its part | c)

over all combinations c of the shared causes. A cause that is some part's failure is no thing of
its own: it is there exactly when the set holds that failure.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from diagnose.errors import NetworkError
from diagnose.faults.behaviour import fault_prior
from diagnose.faults.words import OK
from diagnose.machine.model import NEW_PART

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.faults.behaviour import Behaviour
    from diagnose.machine.model import Machine, Part, Repair, SharedCause

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Numbers = NDArray[np.int32]

MOST_CAUSES = 14
"""So many shared causes at once; every combination of them is summed over."""

ROUNDING_BITS = 14
"""Last bits of odds that do not count where faults are compared: 4e-12 of them."""

LEAST_GOOD = 1e-12
"""A part that a cause breaks for certain still counts as good with this chance, so that odds stay
finite."""


def cause_chance(machine: Machine, cause: SharedCause) -> float:
    """Prior that a shared cause is there."""
    if cause.part is None:
        return cause.per_1000_jobs / 1000.0
    return sum(fault_prior(machine, cause.part, mode) for mode in cause.modes)


def part_table(machine: Machine, part: Part) -> tuple[tuple[str, ...], Floats]:
    """The causes that raise some mode of a part, and its prior over its modes given them.

    Returns:
        Ids of the causes, and (2, ..., modes) with one axis (absent, present) for each of them.

    Raises:
        NetworkError: the causes together raise the failure modes above certainty.
    """
    modes = [mode for mode in part.modes if mode != OK]
    base = np.array([fault_prior(machine, part.id, mode) for mode in modes])
    causes, factors = list[str](), list[Floats]()
    for cause in machine.shared_causes.values():
        raised = {m: r.factor for r in cause.raises if r.part == part.id for m in r.modes}
        if raised:
            causes.append(cause.id)
            factors.append(np.array([raised.get(mode, 1.0) for mode in modes]))
            base /= 1.0 + cause_chance(machine, cause) * (factors[-1] - 1.0)
    table = np.zeros((*(2 for _ in causes), len(part.modes)))
    for present in product((0, 1), repeat=len(causes)):
        chances = base.copy()
        for there, factor in zip(present, factors, strict=True):
            chances *= factor if there else 1.0
        if chances.sum() > 1.0:
            raise NetworkError(
                f"{part.id}: with its shared causes present its failure modes add up to "
                f"{chances.sum():.3g}; expected at most 1",
                part.id,
            )
        table[present] = [1.0 - chances.sum(), *chances]
    return tuple(causes), table


def new_part_modes(machine: Machine, part: Part, repair: Repair) -> dict[tuple[str, str], float]:
    """Chance of each (part, failure mode) of what a repair fits new; empty where nothing is new.

    A new part, or unit of parts, is bad with the shop's small chance, shared out by the priors.
    """
    bad = machine.shop.new_part_bad_per_1000 / 1000.0 if repair.id == NEW_PART else 0.0
    failed = {
        (name, mode): fault_prior(machine, name, mode)
        for name in machine.in_unit_with(part.id)
        for mode in machine.parts[name].modes
        if mode != OK
    }
    total = sum(failed.values())
    if bad == 0.0 or total == 0.0:
        return {}
    return {fault: bad * prior / total for fault, prior in failed.items() if prior > 0.0}


class Extension(NamedTuple):
    """By what the priors of sets fall with one fault more.

    Most sets say the same of the shared causes as many others do, and fall alike: ten thousand
    sets share some 800 rows.

    Attributes:
        table: (rows, faults) prior of a set with the fault over that of the set.
        first: (rows,) the first set of each row.
        row: (sets,) row of each set.
    """

    table: Floats
    first: Ints
    row: Ints

    @property
    def nbytes(self) -> int:
        """Memory that it holds."""
        return int(self.table.nbytes + self.first.nbytes + self.row.nbytes)


@dataclass(frozen=True, slots=True, eq=False)
class Priors:
    """What the prior of a fault set is made of.

    Combinations of the shared causes are numbers whose bits say which are there: the free ones
    (things of their own) first, then those that are some part's failure.

    Attributes:
        causes: ids of the shared causes, the free ones first.
        n_free: how many are free.
        free: (free combinations,) probability of each.
        good: (combinations,) chance that no part has a fault.
        odds: (faults + 1, combinations) chance of each fault over that of its part being good; the
            last row, 1, stands for no fault.
        triggers: (causes, faults + 1) whether the fault is that cause.
        kinds: (faults + 1,) a number that faults share which say the same of the causes.
    """

    causes: tuple[str, ...]
    n_free: int
    free: Floats
    good: Floats
    odds: Floats
    triggers: NDArray[np.bool_]
    kinds: Numbers

    def combinations_of(self, members: Ints) -> Ints:
        """(sets, free combinations) number of the combination that each stands for.

        Args:
            members: (sets, width) faults, padded with the number that stands for none.
        """
        own = np.zeros(len(members), dtype=np.int64)
        for place in range(self.n_free, len(self.causes)):
            own |= self.triggers[place][members].any(axis=1).astype(np.int64) << place
        return own[:, None] + np.arange(len(self.free))[None, :]

    def joint(self, members: Ints) -> Floats:
        """(sets, free combinations) probability of each set together with each combination."""
        own, width = self.combinations_of(members)[:, 0], len(self.free)
        found = np.empty((len(members), width))
        for first in np.unique(own).tolist():  # whole rows of odds are far quicker than their cells
            rows = np.flatnonzero(own == first)
            odds = self.odds[:, first : first + width]
            joint = np.tile(self.free * self.good[first : first + width], (len(rows), 1))
            for column in members[rows].T:
                joint *= odds[column]
            found[rows] = joint
        return found

    def extension(self, members: Ints, weight: Floats) -> Extension:
        """How much less likely sets become with one fault more.

        Args:
            members: as in `combinations_of`.
            weight: (free combinations,) what was found about the causes themselves.
        """
        first, row = _different(np.sort(self.kinds[members], axis=1))
        few = members[first]
        joint = self.joint(few) * weight
        total = np.maximum(joint.sum(axis=1, keepdims=True), 1e-300)
        at, width = self.combinations_of(few)[:, 0], len(self.free)
        table = np.empty((len(few), len(self.odds) - 1))
        for own in np.unique(at).tolist():
            rows = np.flatnonzero(at == own)
            odds = np.ascontiguousarray(self.odds[:-1, own : own + width].T)
            table[rows] = joint[rows] / total[rows] @ odds
        for fault in np.flatnonzero(self.triggers[self.n_free :, :-1].any(axis=0)).tolist():
            more = np.insert(few, 0, fault, axis=1)
            table[:, fault] = (self.joint(more) * weight).sum(axis=1) / total[:, 0]
        return Extension(table, first, row)

    def there(self, members: Ints, weight: Floats) -> Floats:
        """(sets, causes) chance that each cause is there, given the set and what was found.

        Args: as `extension`.
        """
        at = self.combinations_of(members)
        joint = self.joint(members) * weight
        joint /= np.maximum(joint.sum(axis=1, keepdims=True), 1e-300)
        bits = np.arange(len(self.free))[:, None] >> np.arange(self.n_free) & 1
        derived = at[:, :1] >> np.arange(self.n_free, len(self.causes)) & 1
        return np.concatenate([joint @ bits, derived.astype(np.float64)], axis=1)


def _kinds(odds: Floats, triggers: NDArray[np.bool_]) -> Numbers:
    """(faults + 1,) a number that faults share which say the same of the causes.

    They are those whose odds, cause by cause, are in proportion, and that are the same cause.
    """
    shares = odds / np.maximum(odds.max(axis=1, keepdims=True), 1e-300)
    bits = (shares.view(np.int64) + (1 << ROUNDING_BITS >> 1)) >> ROUNDING_BITS
    return _different(np.concatenate([bits, triggers.T], axis=1))[1].astype(np.int32)


def _different(rows: NDArray[Any]) -> tuple[Ints, Ints]:
    """The first of each kind of row, and (rows,) the kind of each, in the order they are met."""
    text, width = rows.tobytes(), rows.itemsize * rows.shape[1]
    kinds: dict[bytes, int] = {}
    kind = np.array(
        [kinds.setdefault(text[at : at + width], len(kinds)) for at in range(0, len(text), width)],
        dtype=np.int64,
    )
    return np.unique(kind, return_index=True)[1], kind


def make_priors(behaviour: Behaviour) -> Priors:
    """The priors of a machine.

    Raises:
        NetworkError: more shared causes than can be summed over, parts that raise each other in a
            circle, or causes that raise a part above certainty.
    """
    machine = behaviour.machine
    listed = sorted(machine.shared_causes.values(), key=lambda cause: cause.part is not None)
    causes = tuple(cause.id for cause in listed)
    n_free = sum(cause.part is None for cause in listed)
    if len(causes) > MOST_CAUSES:
        raise NetworkError(
            f"{len(causes)} shared causes; expected at most {MOST_CAUSES}", causes[0]
        )
    _refuse_circles(machine)
    bits = np.arange(1 << len(causes))[:, None] >> np.arange(len(causes)) & 1
    good, odds = np.ones(len(bits)), np.ones((len(behaviour.faults) + 1, len(bits)))
    for part in machine.parts.values():
        parents, table = part_table(machine, part)
        rows = table[tuple(bits[:, causes.index(cause)] for cause in parents)]
        rows = np.broadcast_to(rows, (len(bits), rows.shape[-1]))
        whole = np.maximum(rows[:, 0], LEAST_GOOD)
        good *= whole
        for fault, (name, mode) in enumerate(behaviour.faults):
            if name == part.id:
                odds[fault] = rows[:, list(part.modes).index(mode)] / whole
    unlisted = behaviour.priors[behaviour.n_listed :]
    none = 1.0 - float(unlisted.sum())
    odds[behaviour.n_listed : -1] = unlisted[:, None] / none
    free = np.ones(1)
    for cause in listed[:n_free]:
        chance = cause_chance(machine, cause)
        free = np.concatenate([free * (1.0 - chance), free * chance])
    triggers = np.array(
        [
            [*(part == cause.part and mode in cause.modes for part, mode in behaviour.faults), 0]
            for cause in listed
        ],
        dtype=bool,
    ).reshape(len(causes), len(behaviour.faults) + 1)
    return Priors(
        causes=causes,
        n_free=n_free,
        free=free,
        good=good * none,
        odds=odds,
        triggers=triggers,
        kinds=_kinds(odds, triggers),
    )


def _refuse_circles(machine: Machine) -> None:
    """Parts whose failures raise each other have no joint prior."""
    above = {
        part: {
            str(cause.part)
            for cause in machine.shared_causes.values()
            if cause.part is not None and any(one.part == part for one in cause.raises)
        }
        for part in machine.parts
    }
    done: set[str] = set()
    while len(done) < len(above):
        ready = {part for part, parents in above.items() if parents <= done} - done
        if not ready:
            left = ", ".join(part for part in above if part not in done)
            raise NetworkError(f"these parts raise each other in a circle: {left}")
        done |= ready


def padded(sets: Sequence[tuple[int, ...]], none: int) -> Ints:
    """(sets, width) members of fault sets, padded with the number that stands for none."""
    width = max((len(faults) for faults in sets), default=0) or 1
    table = np.full((len(sets), width), none, dtype=np.int64)
    for row, faults in enumerate(sets):
        table[row, : len(faults)] = faults
    return table
