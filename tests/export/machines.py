"""The shipped machines, each solved, built and compiled once in a test run."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from diagnose.circuit.wiring import make_trees
from diagnose.export.classes import BUDGET
from diagnose.export.compact import network_of
from diagnose.export.pairs import PairTable, make_pairs
from diagnose.faults.behaviour import make_behaviour
from diagnose.inference.compiled import CompiledNetwork, compile_network
from diagnose.machine.load import load_machine, machine_names

if TYPE_CHECKING:
    from diagnose.inference.families import Network
    from diagnose.machine.model import Machine


def is_tree(name: str) -> bool:
    """Whether a machine's wiring closes no loop: only then there is a network of it."""
    trees = make_trees(load_machine(name))
    return not trees.across and not trees.odd_loads


NAMES = tuple(name for name in machine_names() if is_tree(name))
MESHED = tuple(name for name in machine_names() if not is_tree(name))

COARSE = 20.0 * BUDGET
"""A tenth of the size."""


@cache
def machine(name: str) -> Machine:
    return load_machine(name)


@cache
def pairs(name: str) -> PairTable:
    """Every pair of faults, solved."""
    return make_pairs(make_behaviour(machine(name)))


@cache
def network(name: str) -> Network:
    """Coarser than what is exported, so that other libraries answer in seconds too."""
    return network_of(pairs(name), COARSE)


@cache
def finer(name: str) -> Network:
    """Four times finer than `network`; other libraries take minutes for it."""
    return network_of(pairs(name), COARSE / 4.0)


@cache
def exported(name: str) -> Network:
    """As fine as it is exported."""
    return network_of(pairs(name))


@cache
def with_joints(name: str, budget: float = BUDGET) -> Network:
    """The same with a root for how loose joints stand."""
    return network_of(pairs(name), budget, joints=True)


@cache
def compiled(name: str) -> CompiledNetwork:
    return compile_network(network(name))


def circuit_tests(name: str) -> list[str]:
    """Tests that look at the circuit."""
    return [test.id for test in machine(name).tests.values() if test.cause is None]
