"""What the machine does, says the customer and shows on trying, by the levels of its functions.

Read from the machine file's own words: `says` of the complaints, `works`, `unlisted_per_1000_jobs`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from diagnose.faults.behaviour import Behaviour
    from diagnose.machine.model import Machine

JOBS_OF_MACHINES = 0.25
"""Of four machines standing about, one would be a job (`words.SHARE_OF_MACHINES`; estimate)."""

NO_REASON = 0.001
"""Chance of a complaint about a machine that works; estimate."""


def unlisted_chance(machine: Machine, complaint: str) -> float:
    """Chance that something not in the file gives a complaint; its own figure goes first."""
    own = machine.complaints[complaint].unlisted_per_1000
    return JOBS_OF_MACHINES * (machine.unlisted_per_1000 if own is None else own) / 1000.0


def at_levels(
    behaviour: Behaviour, readings: np.ndarray, wanted: Mapping[str, tuple[str, ...]]
) -> np.ndarray:
    """(sets, 2) whether functions are at one of the levels wanted of each.

    Args:
        behaviour: names and columns of the functions.
        readings: (sets, observables, 2)
        wanted: function -> levels.
    """
    found = np.ones((len(readings), 2), dtype=bool)
    for name, accepted in wanted.items():
        levels = [level.id for level in behaviour.machine.functions[name].levels]
        numbers = [levels.index(level) for level in accepted]
        found &= np.isin(readings[:, behaviour.column[name]], numbers)
    return found


def told_by_hand(behaviour: Behaviour, readings: np.ndarray, complaint: str) -> np.ndarray:
    """(sets,) chance of the customer's words: right, wrong, or about a machine that works."""
    machine = behaviour.machine
    right = machine.complaints[complaint].words_fit_percent / 100.0
    wrong = (1.0 - right) / max(len(machine.complaints) - 1, 1)
    fits = {c.id: at_levels(behaviour, readings, c.says) for c in machine.complaints.values()}
    amiss = np.any([*fits.values(), ~at_levels(behaviour, readings, machine.works)], axis=0)
    said = np.where(fits[complaint], right, np.where(amiss, wrong, NO_REASON))
    return said.mean(axis=1)


def tried_by_hand(behaviour: Behaviour, readings: np.ndarray) -> np.ndarray:
    """(sets, 2) number of what trying the machine shows: runs, complaints, something else.

    Of several complaints that fit, the one that says most functions, and of those the last.
    """
    machine = behaviour.machine
    on_trying = [c for c in machine.complaints.values() if c.on_trying]
    fits = [at_levels(behaviour, readings, c.says) for c in on_trying]
    works = at_levels(behaviour, readings, machine.works)
    found = np.where(works, 0, len(on_trying) + 1)
    for row, which in np.ndindex(found.shape):
        fitting = [k for k, fit in enumerate(fits) if fit[row, which]]
        if fitting:
            found[row, which] = 1 + max(fitting, key=lambda k: (len(on_trying[k].says), k))
    return found
