"""The bale lift, prepared once, with its referee; and a search that leaves nothing out."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from diagnose.belief import belief, extensions, frontier, replay, search
from diagnose.belief.situation import Situation
from diagnose.faults.base import make_solved_sets
from diagnose.machine.load import load_machine
from diagnose.rule.prepared import Prepared, prepared
from tests.belief.enumeration import Everything
from tests.belief.yard import drawn, found, repaired

if TYPE_CHECKING:
    import pytest

    from diagnose.faults.solved import SolvedSets

ZEROED = ("WORTH_TRYING", "WORTH_A_ROUND", "HEAVY", "LEAST_NOTED")
FILE = Path(__file__).with_name("bale_lift.yaml")


@cache
def lift() -> Prepared:
    return prepared(load_machine(FILE))


@cache
def every() -> Everything:
    return Everything(lift().behaviour)


@cache
def calm() -> tuple[Prepared, Everything]:
    """The lift with faults about as common as on the shipped machines, and its referee."""
    parts = {
        name: replace(
            part,
            modes={
                mode: replace(known, per_1000_jobs=0.4 * known.per_1000_jobs)
                for mode, known in part.modes.items()
            },
        )
        for name, part in lift().machine.parts.items()
    }
    kind = prepared(replace(lift().machine, parts=parts, content_hash="calm lift"))
    return kind, Everything(kind.behaviour)


def fresh_sets(kind: Prepared) -> SolvedSets:
    """A table of a machine that no job has used yet."""
    return make_solved_sets(kind.behaviour, kind.sets.priors, kind.sets._base)


def grow_everything(patch: pytest.MonkeyPatch) -> None:
    """No set is too light to be solved, none counts as silent, and nothing is dropped."""
    patch.setattr(search, "GOOD_ENOUGH", 0.0)
    for name in ZEROED:
        patch.setattr(frontier, name, 0.0)
    for name in ("MOST_TRIED", "TRIED_AT_ONCE", "LEAST_TRIED"):
        patch.setattr(search, name, 10**9)
    patch.setattr(search, "MOST_WORK", 1e30)
    patch.setattr(belief, "DROPPED", 1e-13)
    patch.setattr(replay, "LEAST_BRANCH", 0.0)
    patch.setattr(replay, "MOST_SOLVED", 10**9)
    patch.setattr(extensions, "SAME", -1.0)
    patch.setattr(frontier, "compare_pairs", extensions.compare_pairs.py_func)


def job(seed: int, repairs: int, tests: int = 3, kind: Prepared | None = None) -> Situation:
    """A job on a machine drawn by its priors: tests at random, repairs of anything."""
    rng, kind = np.random.default_rng(seed), kind or lift()
    machine = kind.machine
    complaint = list(machine.complaints)[seed % len(machine.complaints)]
    broken, situation = drawn(kind.behaviour, complaint, rng), Situation(complaint)
    choices = [(part.id, repair) for part in machine.parts.values() for repair in part.repairs]
    for number in range(repairs + 1):
        for name in rng.choice(list(machine.tests), int(rng.integers(1, tests + 1)), replace=False):
            situation = found(broken, situation, machine.tests[str(name)])
        if number < repairs:
            part, repair = choices[int(rng.integers(len(choices)))]
            situation = repaired(broken, situation, part, repair)
    return situation
