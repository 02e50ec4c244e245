"""The circuit solver against a plain nodal analysis (scipy) and against ngspice.

Both referees are asked for every net in every arrangement: no fault, every single fault and some
pairs hooked up for every test, and thousands of pairs of faults in every plain condition. ngspice
gets the contacts and fuses as the nodal analysis has settled them; all else it finds by itself.
Tolerance: 1 mV or 0.1 %, without exception.
"""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from diagnose.circuit.operating import evaluate
from tests.circuit.everywhere import net_volts, with_a_meter_on_every_net
from tests.circuit.hookups import (
    damage_visible,
    level,
    quantity,
    relay_level,
    series_ohms,
)
from tests.circuit.nodal import main_ends
from tests.circuit.spice import operating_points
from tests.circuit.workload import table

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import pytest
    from numpy.typing import NDArray

    from tests.circuit.hookups import Reading
    from tests.circuit.nodal import Standing
    from tests.circuit.workload import FaultSet, Settled, Workload

    Report = Callable[[str, int, float | None], None]

MOST_PAIRS = 2_000

MILLI = 1e-3
"""1 mV (1 mA), and 0.1 %."""


def all_close(ours: NDArray[np.float64], theirs: NDArray[np.float64]) -> bool:
    return bool(np.all(np.abs(ours - theirs) <= np.maximum(MILLI, MILLI * np.abs(theirs))))


def solver_volts(workload: Workload, settled: Sequence[Settled]) -> NDArray[np.float64]:
    """(circuits, nets, 2) what the solver says, nets in the schematic's order."""
    sets = list(dict.fromkeys(one.faults for one in settled))
    hookups = list(dict.fromkeys(one.hookup for one in settled))
    assert len(sets) * len(hookups) == len(settled)
    rigs = [workload.rig_of(hookup) for hookup in hookups]
    place = [workload.circuit.netlist.nets.index(net) for net in workload.schematic.nets]
    volts = net_volts(workload.circuit, rigs, table(sets))
    return volts[:, :, place].reshape(len(settled), len(place), 2)


def nodal_volts(settled: Sequence[Settled]) -> NDArray[np.float64]:
    return np.array([[s.volts for s in one.standings] for one in settled]).swapaxes(1, 2)


def spice_volts(
    workload: Workload, settled: Sequence[Settled], folder: Path
) -> NDArray[np.float64]:
    """(circuits, nets, 2); circuits with the very same ohms and sources go to ngspice once."""
    keys = [[s.ohms.tobytes() + s.emf.tobytes() for s in one.standings] for one in settled]
    standings: dict[bytes, Standing] = {}
    for one, two in zip(settled, keys, strict=True):
        standings |= zip(two, one.standings, strict=True)
    volts = operating_points(workload.schematic, list(standings.values()), folder)
    row = {key: i for i, key in enumerate(standings)}
    index = np.array([[row[key] for key in two] for two in keys])
    found: NDArray[np.float64] = volts[index].swapaxes(1, 2)
    return found


def check(
    workload: Workload, settled: Sequence[Settled], folder: Path, report: Report, what: str
) -> int:
    """Compare both referees' volts with the solver's; returns how many numbers of ngspice's."""
    ours = solver_volts(workload, settled)
    name = workload.machine.id
    for referee, theirs in (
        ("scipy", nodal_volts(settled)),
        ("ngspice", spice_volts(workload, settled, folder)),
    ):
        wrong = np.flatnonzero(
            np.any(np.abs(ours - theirs) > np.maximum(MILLI, MILLI * np.abs(theirs)), axis=(1, 2))
        )
        assert not len(wrong), [describe(workload, settled[i]) for i in wrong[:5]]
        report(f"{name}: {what}, {referee}", theirs.size, float(np.abs(ours - theirs).max()))
    return int(theirs.size)


def describe(workload: Workload, one: Settled) -> str:
    faults = " + ".join(f"{workload.faults[f][0]}.{workload.faults[f][1].id}" for f in one.faults)
    return f"{faults or 'no fault'} in {one.hookup}"


def least(workload: Workload) -> int:
    """How many numbers are compared at least: of a mower with eight wired parts fewer."""
    return 2_000 * sum(part.kind != "mechanical" for part in workload.machine.parts.values())


def test_every_net_in_every_arrangement(workload: Workload, tmp_path: Path, report: Report) -> None:
    compared = check(workload, workload.everywhere, tmp_path, report, "every arrangement")
    assert compared > least(workload)


def test_pairs_in_every_condition(
    workload: Workload, tmp_path: Path, report: Report, request: pytest.FixtureRequest
) -> None:
    """Two thousand pairs a machine; with `--benchmark-enable` all of them, which takes minutes."""
    most = len(workload.pairs) if request.config.getoption("benchmark_enable") else MOST_PAIRS
    compared = check(workload, workload.in_plain(most), tmp_path, report, "pairs")
    assert compared > least(workload) / 4


def rows(workload: Workload) -> list[tuple[FaultSet, dict[object, Settled]]]:
    """Fault sets with their arrangements."""
    return [
        (faults, {one.hookup: one for one in group})
        for faults, group in groupby(workload.everywhere, key=lambda one: one.faults)
    ]


def spread_of_levels(
    workload: Workload, reading: Reading, faults: FaultSet, one: Standing
) -> set[int]:
    """The level, or the two levels between which the volts lie within a millivolt."""
    function = reading.function
    assert function is not None
    part = workload.machine.parts[str(function.part)]
    if function.kind == "relay":
        return {relay_level(part, one)}
    fault = workload.modes(faults).get(part.id)
    fault = None if part.id == reading.hookup.replaced else fault
    volts = quantity(workload.schematic, reading, one)
    return {level(function, part, fault, volts + step) for step in (-MILLI, MILLI)}


def by_meter(reading: Reading) -> bool:
    """Whether a meter lies between two probes; see `test_meter`."""
    test = reading.test
    return test is not None and test.probes is not None and test.added_ohms is None


def test_every_reading(workload: Workload, report: Report) -> None:
    sets = [*workload.singles, *workload.some_pairs]
    ours = evaluate(with_a_meter_on_every_net(workload.circuit), table(sets))
    column = {name: i for i, name in enumerate(workload.circuit.rigs.names)}
    assert {one.name for one in workload.readings} <= set(column)
    count, worst = 0, 0.0
    for row, (faults, arrangements) in zip(ours, rows(workload), strict=True):
        for reading in (one for one in workload.readings if not by_meter(one)):
            standings = arrangements[reading.hookup].standings
            for met, one in zip(row[column[reading.name]], standings, strict=True):
                count += 1
                where = f"{reading.name}: {describe(workload, arrangements[reading.hookup])}"
                if reading.function is not None:
                    assert met in spread_of_levels(workload, reading, faults, one), where
                else:
                    expected = np.array(quantity(workload.schematic, reading, one))
                    assert all_close(met, expected), where
                    worst = max(worst, abs(float(met - expected)))
    report(f"{workload.machine.id}: readings and levels, scipy", count, worst)


def test_what_is_measured_or_seen_on_parts_alone(workload: Workload, report: Report) -> None:
    sets = [*workload.singles, *workload.some_pairs]
    ours = evaluate(workload.circuit, table(sets))
    column = {name: i for i, name in enumerate(workload.circuit.rigs.names)}
    tests = [t for t in workload.machine.tests.values() if t.kind in {"ohms", "look", "wiggle"}]
    tests = [test for test in tests if test.parts]
    assert tests
    for row, faults in zip(ours, sets, strict=True):
        modes, blown = workload.modes(faults), workload.blown(faults)
        for test in tests:
            met = row[column[test.id]]
            if test.kind == "ohms":
                expected = [
                    series_ohms(workload.machine, test, modes, blown, touching)
                    for touching in (True, False)
                ]
            elif test.kind == "look":
                expected = [damage_visible(workload.machine, test, modes, blown)] * 2
            else:
                own = [modes[p] for p in test.parts if p in modes]
                expected = [float(any(m.loose or m.makes_if_moved for m in own))] * 2
            np.testing.assert_allclose(met, expected, rtol=1e-9, err_msg=f"{test.id} {faults}")
    report(f"{workload.machine.id}: on parts alone", 2 * len(sets) * len(tests), None)


def test_nets_and_faults_are_numbered_as_in_the_file(workload: Workload) -> None:
    netlist = workload.circuit.netlist
    assert netlist.faults == tuple((part, mode.id) for part, mode in workload.faults)
    assert set(netlist.nets) == set(workload.schematic.nets)
    for i, part in enumerate(workload.machine.parts.values()):
        if part.kind == "mechanical":
            assert netlist.main[i] == -1
            continue
        ends = [
            netlist.nets[net] if net >= 0 else workload.schematic.ground
            for net in netlist.ends[netlist.main[i]]
        ]
        assert tuple(ends) == main_ends(part)
