"""Lives: the modes that a part has been in since the complaint, repair by repair.

A repair replaces one part and leaves every other one as it is. So of all the parts only the
repaired ones have a history, and it is short: the mode before the first repair, after it, after
the next. Such a *life* is what the part's root ranges over once it has been repaired; a part that
was not touched keeps its plain modes. This is the network unrolled over epochs (Breese &
Heckerman 1996, Decision-theoretic troubleshooting: a framework for repair and experiment) with
the copies of one part drawn together into one root.

    P(life | causes) = P(first mode | causes) prod_repairs P(mode after | mode before),

where a mode that the repair fixes becomes `ok`, any other stays, and a new part is bad itself
with the shop's small chance, shared among the part's modes by their priors.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.inference.families import Family
from diagnose.network.behaviour import fault_prior
from diagnose.network.words import NEW_PART, OK

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.machine.model import Machine, Part, Repair

THEN = " then "
"""Between the modes in the name of a life; no id of a mode has a space."""


@dataclass(frozen=True, slots=True)
class PastRepair:
    """A repair, with what was looked at before it and after.

    Attributes:
        tests: ids of the tests that have a finding between the repair before and this one.
        part: id of the part.
        repair: id of the repair.
        checked: whether the complaint was looked for after it.
    """

    tests: tuple[str, ...]
    part: str
    repair: str
    checked: bool


@dataclass(frozen=True, slots=True)
class Life:
    """The modes of a repaired part.

    Attributes:
        name: state of its root: the modes it went through.
        modes: mode in every epoch, the present one last.
        chance: P(modes after the first | first mode).
        prior: P(life), before the complaint.
        before: name of the life as it was before the last repair of all.
        step: P(present mode | mode before the last repair of all).
    """

    name: str
    modes: tuple[str, ...]
    chance: float
    prior: float
    before: str = ""
    step: float = 1.0


def lives_of(machine: Machine, part: Part, past: Sequence[PastRepair]) -> tuple[Life, ...]:
    """All lives of a part that can have been, `ok` all along first.

    Args:
        machine: the machine, for its priors and the chance that a new part is bad.
        part: one that was repaired.
        past: all repairs, the oldest first, those of other parts among them.
    """
    failed = {m: fault_prior(machine, part.id, m) for m in part.modes if m != OK}
    first = {OK: 1.0 - sum(failed.values()), **failed}
    found = [Life(mode, (mode,), 1.0, first[mode]) for mode in part.modes]
    for done in past:
        if done.part != part.id:
            found = [_lived(one, one.modes[-1], 1.0, one.name) for one in found]
            continue
        repair = next(one for one in part.repairs if one.id == done.repair)
        found = [
            _lived(one, mode, chance, f"{one.name}{THEN}{mode}")
            for one in found
            for mode, chance in _mended(machine, part, repair, one.modes[-1]).items()
            if one.prior * chance > 0.0
        ]
    found.sort(key=lambda one: any(mode != OK for mode in one.modes))
    return tuple(found)


def _lived(life: Life, mode: str, chance: float, name: str) -> Life:
    modes = (*life.modes, mode)
    return Life(name, modes, life.chance * chance, life.prior * chance, life.name, chance)


def _mended(machine: Machine, part: Part, repair: Repair, mode: str) -> dict[str, float]:
    """P(mode after | mode before) of one repair."""
    if mode != OK and mode not in repair.fixes:
        return {mode: 1.0}
    return {OK: 1.0 - new_part_bad(machine, repair), **new_part_modes(machine, part, repair)}


def new_part_bad(machine: Machine, repair: Repair) -> float:
    """Chance that a repair fits a part that is bad itself."""
    return machine.shop.new_part_bad_per_1000 / 1000.0 if repair.id == NEW_PART else 0.0


def new_part_modes(machine: Machine, part: Part, repair: Repair) -> dict[str, float]:
    """The same by failure mode, in proportion to the priors; empty when none."""
    bad = new_part_bad(machine, repair)
    failed = {m: fault_prior(machine, part.id, m) for m in part.modes if m != OK}
    total = sum(failed.values())
    if bad == 0.0 or total == 0.0:
        return {}
    return {mode: bad * prior / total for mode, prior in failed.items() if prior > 0.0}


def first_mode(life: str) -> str:
    """The mode before the first repair, from the name of a life."""
    return life.split(THEN, maxsplit=1)[0]


def life_family(family: Family, lives: Sequence[Life]) -> Family:
    """Table of a part's lives, from that of its modes; the causes stay its parents.

    What `lives_of` left out is given back in proportion.
    """
    first = [family.states.index(life.modes[0]) for life in lives]
    table = family.table[..., first] * np.array([life.chance for life in lives])
    table /= table.sum(axis=-1, keepdims=True)
    return Family.build(family.node, [life.name for life in lives], family.parents, table)
