"""Costs of the shipped machines against their files, entry by entry."""

from __future__ import annotations

import numpy as np
import pytest

from tests.faults.machines import NAMES, shipped


@pytest.mark.parametrize("name", NAMES)
def test_tests_are_those_of_the_file(name: str) -> None:
    known = shipped(name)
    costs, tests = known.costs.tests, list(known.machine.tests.values())
    assert costs.cannot is not None
    assert costs.names == tuple(test.id for test in tests)
    for row, test in enumerate(tests):
        needs = {costs.names[k] for k in range(len(tests)) if costs.needs[row] >> k & 1}
        assert needs == set(test.needs), test.id
        outcomes = [one.id for one in test.outcomes]
        last = int(costs.cannot[row])
        assert (outcomes[last] if last >= 0 else "") == (
            "not_possible" if "not_possible" in outcomes else ""
        )
        assert bool(costs.trying >> row & 1) == (test.kind == "try")
        assert bool(costs.again[row]) == (test.cause is None)
    assert any(costs.needs)
    assert costs.trying.bit_count() == 1


@pytest.mark.parametrize("name", NAMES)
def test_repairs_are_those_of_the_file(name: str) -> None:
    known = shipped(name)
    costs, machine = known.costs.repairs, known.machine
    assert costs.licensed is not None
    assert costs.after is not None
    assert costs.unless is not None
    spoilt = set()
    for row, full in enumerate(costs.names):
        part, _, own = full.partition(".")
        repair = next(one for one in machine.parts[part].repairs if one.id == own)
        fuse = machine.parts[part].kind == "fuse"
        assert bool(costs.new_part[row]) == (own == "replace" and not fuse), full
        # a new part that is no fuse, or a new length of wire in place of one that is cut
        assert bool(costs.uses_up[row]) == (own == "repair" or (own == "replace" and not fuse))
        if costs.uses_up[row]:
            spoilt.add(own)
        assert bool(costs.licensed[row]) == repair.licensed
        before = int(costs.after[row])
        assert (costs.names[before] if before >= 0 else None) == (
            ".".join(repair.after) if repair.after else None
        )
        proven = {known.faults[f] for f in np.flatnonzero(costs.unless[row])}
        assert proven == {(part, mode) for mode in repair.unless}
    assert "replace" in spoilt


def test_wires_are_cut_and_batteries_charged_first_somewhere() -> None:
    # So that what is compared above is not empty everywhere.
    repairs = [shipped(name).costs.repairs for name in NAMES]
    ids = [full.partition(".")[2] for one in repairs for full in one.names]
    assert "repair" in ids
    assert any((one.after >= 0).any() for one in repairs if one.after is not None)
