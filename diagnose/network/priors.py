"""Roots of the network: how often each part fails, and what makes several fail together.

With a shared cause present, the chances of the modes it raises are multiplied by its factors; the
chances without it are lowered so that the marginal prior stays what the machine file says:
`P(mode | causes) = base * prod(factor of each cause present)`, with
`base = marginal / prod_c (1 + P(c) (factor_c - 1))`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkError
from diagnose.inference.families import Family
from diagnose.network.behaviour import fault_prior, unlisted_prior
from diagnose.network.words import UNLISTED

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from diagnose.machine.model import Machine, Part, SharedCause

ABSENT, PRESENT = "absent", "present"


@dataclass(frozen=True, slots=True)
class _Influence:
    """One shared cause of a part: node, prior, factors by mode."""

    node: str
    chance: float
    factors: Mapping[str, float]


def cause_chance(machine: Machine, cause: SharedCause) -> float:
    """Prior that a shared cause is there."""
    if cause.part is None:
        return cause.per_1000_jobs / 1000.0
    return sum(fault_prior(machine, cause.part, mode) for mode in cause.modes)


def _influences(machine: Machine, part: Part) -> list[_Influence]:
    found = []
    for cause in machine.shared_causes.values():
        factors = {m: r.factor for r in cause.raises if r.part == part.id for m in r.modes}
        if not factors:
            continue
        found.append(_Influence(cause.id, cause_chance(machine, cause), factors))
    return found


def part_family(machine: Machine, part: Part) -> Family:
    """Prior table of a part over its modes, given its shared causes.

    Raises:
        NetworkError: the causes together raise the failure modes above certainty.
    """
    influences = _influences(machine, part)
    modes = [mode for mode in part.modes.values() if mode.id != "ok"]
    base = np.array([fault_prior(machine, part.id, mode.id) for mode in modes])
    for one in influences:
        factors = np.array([one.factors.get(mode.id, 1.0) for mode in modes])
        base /= 1.0 + one.chance * (factors - 1.0)
    table = np.zeros((*(2 for _ in influences), len(part.modes)))
    for index in product((0, 1), repeat=len(influences)):
        chances = base.copy()
        for one, present in zip(influences, index, strict=True):
            if present:
                chances *= [one.factors.get(mode.id, 1.0) for mode in modes]
        if chances.sum() > 1.0:
            raise NetworkError(
                f"{part.id}: with its shared causes present its failure modes add up to "
                f"{chances.sum():.3g}; expected at most 1",
                part.id,
            )
        table[index] = [1.0 - chances.sum(), *chances]
    return Family.build(part.id, part.modes, [one.node for one in influences], table)


def root_families(machine: Machine) -> Iterator[Family]:
    """Shared causes, parts (parents first) and the unlisted fault.

    A shared cause that is some part's failure is a deterministic function of that part.
    """
    families = {part.id: part_family(machine, part) for part in machine.parts.values()}
    for cause in machine.shared_causes.values():
        if cause.part is None:
            chance = cause_chance(machine, cause)
            families[cause.id] = Family.build(
                cause.id, (ABSENT, PRESENT), (), [1.0 - chance, chance]
            )
        else:
            failed = [mode in cause.modes for mode in machine.parts[cause.part].modes]
            families[cause.id] = Family.build(
                cause.id,
                (ABSENT, PRESENT),
                (cause.part,),
                [[0.0, 1.0] if one else [1.0, 0.0] for one in failed],
            )
    done: set[str] = set()
    while families:
        ready = [name for name, family in families.items() if done.issuperset(family.parents)]
        if not ready:
            raise NetworkError(f"these parts raise each other in a circle: {', '.join(families)}")
        for name in ready:
            yield families.pop(name)
            done.add(name)
    chance = unlisted_prior(machine)
    states = ("ok", *machine.complaints)
    table = [1.0 - chance * (len(states) - 1), *[chance] * (len(states) - 1)]
    yield Family.build(UNLISTED, states, (), table)
