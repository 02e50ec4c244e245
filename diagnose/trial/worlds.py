"""Worlds: the same machine with other rates of failure, as another shop may meet it."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from diagnose.errors import NetworkError
from diagnose.faults.priors import part_table
from diagnose.faults.words import OK
from diagnose.rule.prepared import prepared, prepared_like

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.machine.model import Machine, Part
    from diagnose.rule.prepared import Prepared

SPREAD = 0.8
"""Standard deviation of the logarithm of how far a rate is off. Estimate."""

MOST_TRIES = 100
"""So often a world is drawn anew in which a part would fail for certain."""


def with_rates(
    machine: Machine, rates: Mapping[tuple[str, str], float], causes: Mapping[str, float]
) -> Machine:
    """A machine with other rates; its content hash says which.

    Args:
        machine: as its file has it.
        rates: (part, mode) -> per 1 000 jobs; what is not named keeps its own.
        causes: shared cause -> per 1 000 jobs.
    """
    parts = {part.id: _with_rates(part, rates) for part in machine.parts.values()}
    shared = {
        cause.id: replace(cause, per_1000_jobs=causes.get(cause.id, cause.per_1000_jobs))
        for cause in machine.shared_causes.values()
    }
    said = repr((sorted(rates.items()), sorted(causes.items())))
    text = f"{machine.content_hash} {said}".encode()
    return replace(
        machine,
        parts=parts,
        shared_causes=shared,
        content_hash=hashlib.sha256(text).hexdigest(),
    )


def _with_rates(part: Part, rates: Mapping[tuple[str, str], float]) -> Part:
    modes = {
        mode.id: replace(mode, per_1000_jobs=rates.get((part.id, mode.id), mode.per_1000_jobs))
        for mode in part.modes.values()
    }
    return replace(part, modes=modes)


def drawn_world(machine: Machine, seed: int, spread: float = SPREAD) -> Machine:
    """A machine whose rates are those of the file times `exp(N(0, spread))`, each by itself.

    Rates of modes and of shared causes that are things of their own; factors, words and what is
    not listed stay as they are.

    Args:
        machine: as its file has it.
        seed: of the random numbers.
        spread: see `SPREAD`.

    Raises:
        NetworkError: no such world was found in which every part can also be good.
    """
    for attempt in range(MOST_TRIES):
        rng = np.random.Generator(np.random.PCG64([seed, attempt]))
        rates = {
            (part.id, mode.id): mode.per_1000_jobs * float(np.exp(spread * rng.standard_normal()))
            for part in machine.parts.values()
            for mode in part.modes.values()
            if mode.id != OK
        }
        causes = {
            cause.id: cause.per_1000_jobs * float(np.exp(spread * rng.standard_normal()))
            for cause in machine.shared_causes.values()
            if cause.part is None
        }
        world = with_rates(machine, rates, causes)
        if _possible(world):
            return world
    raise NetworkError(f"{machine.id}: in every world drawn some part fails for certain")


def _possible(machine: Machine) -> bool:
    """Whether every part can be good, whatever shared causes are there."""
    try:
        return all(part_table(machine, part)[1][..., 0].min() > 0.0 for part in _parts(machine))
    except NetworkError:
        return False


def _parts(machine: Machine) -> list[Part]:
    return list(machine.parts.values())


def ready_world(machine: Machine, world: Machine) -> Prepared:
    """A world made ready by the solved circuits of the machine as its file has it."""
    return prepared_like(prepared(machine), world)
