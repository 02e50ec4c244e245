"""The shipped machines, each solved, built and compiled once in a test run."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from diagnose.machine.load import load_machine, machine_names
from diagnose.faults.behaviour import make_behaviour
from diagnose.export.build import network_of
from diagnose.network.ready import ready_of

if TYPE_CHECKING:
    from diagnose.faults.behaviour import Behaviour
    from diagnose.export.build import DiagnosticNetwork
    from diagnose.network.ready import ReadyMachine

NAMES = machine_names()


@cache
def behaviour(name: str) -> Behaviour:
    """All single and pair faults of a shipped machine, solved."""
    return make_behaviour(load_machine(name))


@cache
def built(name: str) -> DiagnosticNetwork:
    """Its network."""
    return network_of(behaviour(name))


@cache
def ready(name: str) -> ReadyMachine:
    """Compiled, with all that advice needs."""
    return ready_of(behaviour(name), built(name))
