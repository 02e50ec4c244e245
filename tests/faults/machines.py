"""The shipped machines, each prepared once in a test run."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from diagnose.job import prepare
from diagnose.machine.load import machine_names

if TYPE_CHECKING:
    import numpy as np

    from diagnose.rule.prepared import Prepared

NAMES = machine_names()


@cache
def shipped(name: str) -> Prepared:
    """A shipped machine, ready for advice."""
    return prepare(name)


@cache
def singles(name: str) -> np.ndarray:
    """(faults + 1, observables, 2) what every fault by itself shows, and the good machine last."""
    known = shipped(name)
    return known.behaviour.readings([*((f,) for f in range(len(known.faults))), ()])
