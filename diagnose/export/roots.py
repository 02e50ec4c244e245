"""Roots of the exported network: shared causes, parts and what the file does not list.

Their tables are the priors of the machine file; `diagnose.faults.priors` says what a shared cause
does to them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkError
from diagnose.faults.behaviour import unlisted_prior
from diagnose.faults.priors import cause_chance, part_table
from diagnose.faults.words import OK, UNLISTED
from diagnose.inference.families import Family

if TYPE_CHECKING:
    from collections.abc import Iterator

    from diagnose.machine.model import Machine, Part, SharedCause

ABSENT, PRESENT = "absent", "present"


def part_family(machine: Machine, part: Part) -> Family:
    """Prior of a part over its modes, given its shared causes.

    Raises:
        NetworkError: the causes together raise the failure modes above certainty.
    """
    causes, table = part_table(machine, part)
    return Family.build(part.id, part.modes, causes, table)


def cause_family(machine: Machine, cause: SharedCause) -> Family:
    """Prior of a shared cause; one that is some part's failure is a function of that part."""
    if cause.part is None:
        chance = cause_chance(machine, cause)
        return Family.build(cause.id, (ABSENT, PRESENT), (), [1.0 - chance, chance])
    failed = [mode in cause.modes for mode in machine.parts[cause.part].modes]
    table = np.eye(2)[np.array(failed, np.int64)]
    return Family.build(cause.id, (ABSENT, PRESENT), (cause.part,), table)


def unlisted_family(machine: Machine) -> Family:
    """One state for each complaint that something not in the file may give."""
    states = (OK, *machine.complaints)
    table = np.array([0.0, *(unlisted_prior(machine, name) for name in machine.complaints)])
    table[0] = 1.0 - table[1:].sum()
    return Family.build(UNLISTED, states, (), table)


def root_families(machine: Machine) -> Iterator[Family]:
    """All roots, parents first, the unlisted fault last.

    Raises:
        NetworkError: parts that raise each other in a circle; modes raised above certainty.
    """
    families = {part.id: part_family(machine, part) for part in machine.parts.values()}
    families |= {c.id: cause_family(machine, c) for c in machine.shared_causes.values()}
    done: set[str] = set()
    while families:
        ready = [name for name, family in families.items() if done.issuperset(family.parents)]
        if not ready:
            raise NetworkError(f"these parts raise each other in a circle: {', '.join(families)}")
        for name in ready:
            yield families.pop(name)
            done.add(name)
    yield unlisted_family(machine)
