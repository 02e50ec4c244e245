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

from diagnose.faults.outcomes import bin_of, spread_of

if TYPE_CHECKING:
    from diagnose.circuit.wiring import SiteTree
    from diagnose.export.pairs import PairTable
    from diagnose.machine.model import Complaint, Function, Machine, Test

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
    if test is None or test.function is not None or test.kind in {"wiggle", "look"}:
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
    for complaint in machine.complaints.values():
        site = tree.common(_complaint_sites(machine, tree, complaint))
        leaves.append(Leaf(complaint.id, None, pairs.behaviour.column[complaint.id], site=site))
    return leaves


def _test_leaf(pairs: PairTable, tree: SiteTree, test: Test) -> Leaf:
    if test.cause is not None:
        return Leaf(test.id, test, -1)
    machine, column = pairs.behaviour.machine, pairs.behaviour.column_of(test)
    parts = relevant_parts(pairs, column, test)
    states = math.prod(_states(machine, part) for part in parts)
    if states <= FEW_STATES:
        return Leaf(test.id, test, column, parts)
    if test.kind in {"ohms", "look", "wiggle"} and set(parts) <= set(test.parts):
        return Leaf(test.id, test, column, tuple(p for p in test.parts if p in parts), folded=True)
    return Leaf(test.id, test, column, site=_test_site(machine, tree, test))


def _states(machine: Machine, part: str) -> int:
    return len(machine.parts[part].modes) if part in machine.parts else len(machine.complaints) + 1


def _test_site(machine: Machine, tree: SiteTree, test: Test) -> int:
    if test.probes is not None:
        sites = [tree.site_of_net[net] for net in test.probes if net in tree.site_of_net]
        return _deepest(tree, sites)
    if test.function is not None:
        return tree.common(_function_sites(machine, tree, machine.functions[test.function]))
    return tree.common(tree.site_of_part[part] for part in test.parts)


def _deepest(tree: SiteTree, sites: list[int]) -> int:
    """The deeper one when one lies below the other, else where their ways part."""
    for site in sites:
        if set(sites) <= set(tree.path(site)):
            return site
    return tree.common(sites)


def _function_sites(machine: Machine, tree: SiteTree, function: Function) -> list[int]:
    if function.part is not None:
        return [tree.site_of_part[function.part]]
    return [
        site
        for name in function.needs
        for site in _function_sites(machine, tree, machine.functions[name])
    ]


def _complaint_sites(machine: Machine, tree: SiteTree, complaint: Complaint) -> list[int]:
    return [
        site
        for name in complaint.says
        for site in _function_sites(machine, tree, machine.functions[name])
    ]
