"""Where each test and complaint looks into the circuit.

A test that depends on few parts (coil of one relay, a fuse held in the hand) hangs on those parts
directly. A look or a measurement along a list of parts is folded along that list. Everything else
looks in at a site of the wiring tree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from diagnose.faults.behaviour import rests_on
from diagnose.faults.outcomes import INSPECT, TRY, bin_of, spread_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from diagnose.circuit.wiring import SiteTree
    from diagnose.export.pairs import PairTable
    from diagnose.machine.model import Function, Machine, Test

FEW_STATES = 64
"""A test whose parts have no more joint states than this hangs on them directly."""


@dataclass(frozen=True, slots=True)
class Leaf:
    """A test or complaint with what it depends on.

    Attributes:
        name: id of the test or complaint.
        test: the test; None for a complaint.
        column: observable that it reads, -1 when it looks for a shared cause.
        parts: parts it hangs on directly, or is folded along; empty when it looks in at a site.
        folded: whether the parts are folded.
        site: site where it looks in, -1 otherwise.
    """

    name: str
    test: Test | None
    column: int
    parts: tuple[str, ...] = ()
    folded: bool = False
    site: int = -1


def relevant_parts(pairs: PairTable, column: int, test: Test | None) -> tuple[str, ...]:
    """Parts of which some fault, alone or with one other, changes what a column shows."""
    none = pairs.none
    read = pairs.readings[:, :, column]
    if test is None or test.function is not None or test.kind in {"wiggle", "look", INSPECT, TRY}:
        bins, scale = np.round(np.nan_to_num(read) * 20).astype(np.int64), np.ones_like(read)
    else:
        bins, scale = bin_of(test, np.nan_to_num(read)), spread_of(test, np.nan_to_num(read))
    differs = (bins != bins[none][None]) | (np.abs(read - read[none][None]) > 0.5 * scale + 1e-9)
    differs &= ~np.isnan(read)
    faulty = differs.any(axis=(1, 2))[:none]
    parts = dict.fromkeys(pairs.behaviour.faults[f][0] for f in np.flatnonzero(faulty))
    return tuple(parts)


def make_leaves(pairs: PairTable, tree: SiteTree) -> list[Leaf]:
    """Every test and complaint of a machine, in the order of the file."""
    machine = pairs.behaviour.machine
    leaves = [_test_leaf(pairs, tree, test) for test in machine.tests.values()]
    site = tree.common(_sites_of_all(machine, tree))
    column = pairs.behaviour.column
    told = [Leaf(name, None, column[name], site=site) for name in machine.complaints]
    return leaves + told


def _test_leaf(pairs: PairTable, tree: SiteTree, test: Test) -> Leaf:
    if test.cause is not None:
        return Leaf(test.id, test, -1)
    machine, column = pairs.behaviour.machine, pairs.behaviour.column_of(test)
    parts = relevant_parts(pairs, column, test)
    states = math.prod(_states(machine, part) for part in parts)
    if states <= FEW_STATES:
        return Leaf(test.id, test, column, parts)
    if test.kind in {"ohms", "look", "wiggle", INSPECT} and set(parts) <= set(test.parts):
        return Leaf(test.id, test, column, tuple(p for p in test.parts if p in parts), folded=True)
    return Leaf(test.id, test, column, site=_test_site(machine, tree, test))


def _states(machine: Machine, part: str) -> int:
    return len(machine.parts[part].modes) if part in machine.parts else len(machine.complaints) + 1


def _test_site(machine: Machine, tree: SiteTree, test: Test) -> int:
    if test.kind == TRY:
        return tree.common(_sites_of_all(machine, tree))
    if test.probes is not None:
        sites = [tree.site_of_net[net] for net in test.probes if net in tree.site_of_net]
        sites = [_deepest(tree, sites)]
    elif test.function is not None:
        sites = _function_sites(machine, tree, machine.functions[test.function])
    else:
        sites = [tree.site_of_part[part] for part in test.parts]
    needs = machine.conditions[test.condition].needs if test.condition else {}
    return tree.common([*sites, *_sites_of(machine, tree, needs)])


def _deepest(tree: SiteTree, sites: list[int]) -> int:
    """The deeper one when one lies below the other, else where their ways part."""
    for site in sites:
        if set(sites) <= set(tree.path(site)):
            return site
    return tree.common(sites)


def _function_sites(machine: Machine, tree: SiteTree, function: Function) -> list[int]:
    own = [] if function.part is None else [tree.site_of_part[function.part]]
    return own + _sites_of(machine, tree, rests_on(machine, function))


def _sites_of(machine: Machine, tree: SiteTree, functions: Iterable[str]) -> list[int]:
    return [
        site
        for name in functions
        for site in _function_sites(machine, tree, machine.functions[name])
    ]


def _sites_of_all(machine: Machine, tree: SiteTree) -> list[int]:
    """Where what any complaint says shows, and whether the machine works."""
    says = (complaint.says for complaint in machine.complaints.values())
    return _sites_of(machine, tree, dict.fromkeys(n for one in (*says, machine.works) for n in one))
